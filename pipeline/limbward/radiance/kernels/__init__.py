"""The compiled inner loops of the merge.

`gather` walks through the result row by row. For each frame `weights` gives the row its weights,
`sampling` makes samples linear and interpolates them, and `sums` turns them into radiances with
errors; `outliers` then compares the frames with one another and with what was merged before, and
`sums` adds what is left. `inputs` names what they hand on.
"""
