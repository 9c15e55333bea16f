"""A page to look at: static SVG and HTML, whole in one file."""
