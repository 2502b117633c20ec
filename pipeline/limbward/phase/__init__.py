"""What a frame shows of the eclipse, told from all frames of a camera together."""
