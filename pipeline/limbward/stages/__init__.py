"""The stages of a run, one thin module each: read artefacts, call a room, write artefacts."""
