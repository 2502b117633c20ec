"""Wide frames: where each pixel looks, what is in the sky, the Sun's path over the landscape."""
