"""Weaving in progress: the cards, the place among them, the log it follows from. Pure."""
