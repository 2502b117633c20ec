"""Discs, the orientation of a camera, and the grid of the merged picture."""
