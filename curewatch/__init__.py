"""curewatch: when a poured acrylic painting may be touched, moved and varnished."""

__version__ = "0.1.0"
