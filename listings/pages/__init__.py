"""The listings' pages: views, one file per kind of work; addresses in urls.py."""
