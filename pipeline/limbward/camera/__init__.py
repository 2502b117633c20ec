"""What the camera did: files, Exif, decoding, clocks, darks and flats."""
