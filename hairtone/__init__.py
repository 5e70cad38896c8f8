"""Colour figures one can believe from ordinary photographs of coloured hair."""
