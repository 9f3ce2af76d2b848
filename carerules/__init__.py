"""Care rules for lithium packs: written once, kept through the night."""

__version__ = "0.1.0"
