"""One crash-proof, time-limited map over files, on this machine or on a cluster."""
