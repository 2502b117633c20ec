"""A second simulator of eclipse cards, and a scorer, that share no code with the product.

What a program and its own simulator have wrong in common, no test of the one on the other shows.
This package therefore imports nothing of the product (a test says so) and derives its geometry,
light, optics and camera anew. See ``python -m tests.apart --help`` and ``tests.apart.score``.

Conventions: times are seconds of UTC since 0 h of the eclipse's date; directions are unit vectors
(east, north, up); scene coordinates are arcseconds from the Sun's centre, x to the east and y to
the north of the true equator of date; pixels count from the centre of the first visible one, y
down; radiances are in units of the mean solar disc above the air.
"""
