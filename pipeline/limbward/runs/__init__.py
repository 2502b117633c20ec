"""How stages are run: what a stage is, which are out of date, and where a run may write."""
