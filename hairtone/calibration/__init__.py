"""Photo + ChartReading -> LightField and Calibration, solved together."""
