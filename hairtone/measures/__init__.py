"""Profiles -> evenness, uptake, fade, blend, comparison, and words. Numbers in, numbers out."""
