"""Hair, lights, cameras: the physics that calibration and the scene both stand on."""
