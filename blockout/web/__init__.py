"""The survey table in a browser: a second command line."""
