"""What a rig's logs show (cycles, holds, sweeps, proofs), a plan drafted from it, and where plan and logs differ."""
