"""What is made of a finished workspace by commands of their own; no stages of a run."""
