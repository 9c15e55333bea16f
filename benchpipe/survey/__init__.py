"""What a rig's logs show: cycles, holds, sweeps and proofs, a plan drafted from them, and where plan and logs differ."""
