"""HTML pages: templates in one dress."""
