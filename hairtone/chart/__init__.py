"""Photo -> ChartReading: where the chart lies, and its 24 patches with their covariance."""
