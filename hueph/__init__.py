"""hueph: pH ranges with honest confidence from photographs of indicator tubes."""

__version__ = "0.1.0.dev0"
