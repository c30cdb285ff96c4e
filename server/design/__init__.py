"""What is to be woven: the piece, its rows, and its file. Pure."""
