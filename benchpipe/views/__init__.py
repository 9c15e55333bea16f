"""Views: everything that is shown, computed once. Nothing is drawn here."""
