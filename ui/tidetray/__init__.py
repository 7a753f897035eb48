"""The one package that is installed; pyproject.toml maps the project's folders into it."""

from importlib.metadata import version

__version__ = version("tidetray")
