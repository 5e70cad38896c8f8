"""Known colours -> rendered photographs with known truth."""
