"""The studio's pages: forms and views, one file per kind of work; addresses in urls.py."""
