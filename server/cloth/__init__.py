"""What comes out: which end lies over which pick, its floats, its edges, and how it looks."""
