"""Sheet + photos -> every measurement of a study: read, run, keep, resume."""
