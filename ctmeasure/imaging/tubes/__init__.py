"""Facial canal and chorda from a few clicks: route, centre line, radius, doubt. Import the leaf module you need."""
