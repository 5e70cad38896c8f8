"""A file on disk -> Photo: pixels, how they were encoded, what the camera said, its flags."""
