"""The ledger: who signed what, in a chain of signed entries."""
