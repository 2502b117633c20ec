"""From a linear corona and its structure to a picture for the eye."""
