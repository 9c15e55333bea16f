"""What is shown of a run (view), and how: terminal, JSON, picture."""
