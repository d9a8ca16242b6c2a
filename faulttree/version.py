"""The version of this program, for whoever must name it, from the ground up."""

__all__ = ["__version__"]

__version__ = "0.1.0"
