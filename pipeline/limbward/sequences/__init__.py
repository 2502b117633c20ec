"""Sequences of frames: sheets of crescents, strips of the contacts, films, prominences."""
