"""See the package docstring of fragarea."""
