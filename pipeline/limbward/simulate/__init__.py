"""A simulated eclipse and the camera card it fills: the demo, a rehearsal, the tests' truth."""
