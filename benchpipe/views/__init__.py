"""What is shown, computed once; nothing is drawn here."""
