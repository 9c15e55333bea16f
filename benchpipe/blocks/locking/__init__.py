"""Every lock and unlock of the joint."""
