"""The merges of several bodies joined into one picture.

Each body is merged by itself, on a grid of its own scale. `limbward.radiance.join.tie` finds how
two merges lie on each other and how bright one is against the other, `limbward.radiance.join.plan`
where each counts, `limbward.radiance.join.blend` joins them, row by row.
"""
