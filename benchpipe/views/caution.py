"""The caution that goes with every result."""

CAUTION = (
    "Analysis of bench tests, not a certificate. The current standard, local rules and licensed, accredited "
    "practice decide. No one stands on a specimen because a program said pass."
)
UNVERIFIED = "not verified against the standard"
