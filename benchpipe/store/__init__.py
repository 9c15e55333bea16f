"""Where tables live, and how a change to them is all or nothing."""
