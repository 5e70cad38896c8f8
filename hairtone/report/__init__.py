"""Measures -> sentences, figures, tables, HTML; the picker widget."""
