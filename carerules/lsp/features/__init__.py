"""What an editor asks of a rule file, each as a function of a text and a place in it.

Knows nothing of servers, wires or disks: tested without any.
"""

from carerules.lsp.features.completion import Item, ItemKind, completion
from carerules.lsp.features.findings import Finding, Place, findings
from carerules.lsp.features.hover import Hover, hover
from carerules.lsp.features.layout import layout
from carerules.lsp.features.lenses import Lens, Outlook, lenses
from carerules.lsp.features.mends import Edit, Mending, mends
from carerules.lsp.features.names import (
    SITE_FILE,
    Highlight,
    Refused,
    definition,
    highlights,
    references,
    renamable,
    rename,
)
from carerules.lsp.features.outline import Symbol, SymbolKind, symbols
from carerules.lsp.features.sight import Sight, Together, alone, look, prove_all

__all__ = [
    "SITE_FILE",
    "Edit",
    "Finding",
    "Highlight",
    "Hover",
    "Item",
    "ItemKind",
    "Lens",
    "Mending",
    "Outlook",
    "Place",
    "Refused",
    "Sight",
    "Symbol",
    "SymbolKind",
    "Together",
    "alone",
    "completion",
    "definition",
    "findings",
    "highlights",
    "hover",
    "layout",
    "lenses",
    "look",
    "mends",
    "prove_all",
    "references",
    "renamable",
    "rename",
    "symbols",
]
