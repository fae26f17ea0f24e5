"""The brief on paper and screen: terminal, HTML, tables."""
