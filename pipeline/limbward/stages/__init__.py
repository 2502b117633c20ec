"""The stages of a run, one thin module each: read artefacts, call a room, write artefacts.

Beside them stand parts of them: `measuring`, `videos`, `linearity`, `copies` and `bodies` of
ingest, `phasing` of ingest and timing, `merge_one`, `merge_bodies` and `sun_picture` of merge,
`look` of compose and of what shows the finished picture. `enhance_image` is what
`limbward enhance` does outside of a run.
"""
