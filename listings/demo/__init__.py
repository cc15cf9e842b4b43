"""The demo: an invented business in the invented town of Harrowmere, with real files and real work."""
