"""Stars and planets in frames of totality: found, told apart, and what they say of the camera."""
