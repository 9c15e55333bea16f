"""A log without a description → what it is, and a draft of its rig file.

Nothing here guesses in silence: what the log cannot decide becomes a question.
"""
