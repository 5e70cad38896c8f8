"""Photo + Calibration -> Strand (root-to-ends line, mask) -> Profile: Lab along the hair."""
