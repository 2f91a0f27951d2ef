"""Curves over time, drawn as SVG."""
