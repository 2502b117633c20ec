"""From registered raw frames to one linear picture of the corona."""
