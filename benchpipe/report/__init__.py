"""Draw a view: terminal, JSON, JUnit, picture. Nothing is computed here."""
