"""benchpipe: rig logs of lockable prosthetic ankles and feet in, a durability verdict out."""

__version__ = "0.1.0"
