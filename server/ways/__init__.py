"""What would it take: every way to weave the figure, side by side."""
