"""What is seen: window, pictures, films, tables and the command line. Does no mechanics of its own."""
