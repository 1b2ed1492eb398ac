"""Making anew what the program has learned. Run by hand; nothing here is collected by pytest."""
