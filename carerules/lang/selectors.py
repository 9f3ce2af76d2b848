"""From `lipo packs where tagged "smart"` to a selector.

Knows packs' chemistries, tags, roles and labels. Does not know rules.
"""

from __future__ import annotations

from typing import cast

from carerules.domain import selector as chosen
from carerules.domain.condition import Op
from carerules.domain.diagnostic import Mend
from carerules.domain.quantity import CAPACITY, COUNT
from carerules.domain.selector import EVERY_PACK, Selector
from carerules.lang import syntax as s
from carerules.lang.findings import try_name
from carerules.lang.scope import Scope, rounded


def selector(node: s.SelectorNode | None, scope: Scope) -> Selector | None:
    """Which packs; no selector: every pack. None: told to the findings."""
    if node is None:
        return EVERY_PACK
    if isinstance(node, s.OnePackNode):
        known = scope.names.packs
        if known is None or node.name.text in known:
            return chosen.Named(node.name.text)
        scope.findings.add(
            "unknown-pack", f"unknown pack `{node.name.text}`", node.name.span,
            try_name(node.name.text, known) or Mend("packs are named in the site file"),
        )  # fmt: skip
        return None
    kind = EVERY_PACK if node.name is None else _kind(node.name, scope)
    where = EVERY_PACK if node.where is None else _filter(node.where, scope)
    if kind is None or where is None:
        return None
    if EVERY_PACK in (kind, where):
        return where if kind == EVERY_PACK else kind
    return chosen.AllOf((kind, where))


def _kind(word: s.Word, scope: Scope) -> Selector | None:
    """`NAME packs`: a group of the file, else a chemistry or a tag."""
    name, names = word.text, scope.names
    if name in scope.groups:
        scope.used.add(name)
        return scope.groups[name]
    chemistry = names.chemistries is not None and name in names.chemistries
    tag = names.tags is not None and name in names.tags
    if chemistry or tag:
        both = (chosen.ChemistryIs(name), chosen.Tagged(name))
        return chosen.AnyOf(both) if chemistry and tag else both[0 if chemistry else 1]
    if scope.taken_in or (names.chemistries is None and names.tags is None):
        return chosen.AnyOf((chosen.ChemistryIs(name), chosen.Tagged(name)))
    if names.chemistries is None or names.tags is None:
        return chosen.ChemistryIs(name) if names.chemistries is None else chosen.Tagged(name)
    known = [*names.chemistries, *names.tags, *scope.groups]
    mend = try_name(name, known)
    if name in ("all", "every", "each", "any", "my", "the"):
        mend = Mend(f"leave `{name}` out: `packs` are all of them", "")
    if names.packs is not None and name in names.packs:
        mend = Mend(f"for one pack write `pack {name}`")
    scope.findings.add(
        "unknown-packs", f"`{name}` is no chemistry, tag or group", word.span,
        mend or Mend(f"define it: `group {name}: packs where ...`"),
    )  # fmt: skip
    return None


def _filter(node: s.FilterNode, scope: Scope) -> Selector | None:
    match node:
        case s.FilterIsNode(what, name, _):
            return _is(what.type, name, scope)
        case s.FilterRatedNode():
            return _rated(node, scope)
        case s.FilterGroupNode(kind, parts, _):
            met = [_filter(part, scope) for part in parts]
            sound = tuple(part for part in met if part is not None)
            if len(sound) < len(met):
                return None
            if kind == "none":
                return chosen.NoneOf(sound[0])
            return chosen.AllOf(sound) if kind == "all" else chosen.AnyOf(sound)


def _is(what: str, name: s.Word, scope: Scope) -> Selector | None:
    names = scope.names
    if what == "CHEMISTRY":
        known = _known(name, names.chemistries, "unknown-packs", "chemistry", scope)
        return chosen.ChemistryIs(name.text) if known else None
    if what == "ROLE":
        known = _known(name, names.roles, "unknown-role", "role", scope)
        return chosen.RoleIs(name.text) if known else None
    known = _known(name, names.tags, "unknown-packs", "tag", scope)
    return chosen.Tagged(name.text) if known else None


def _known(word: s.Word, names: frozenset[str] | None, code: str, what: str, scope: Scope) -> bool:
    if names is None or scope.taken_in or word.text in names:
        return True
    scope.findings.add(
        code, f"unknown {what} `{word.text}`", word.span,
        try_name(word.text, names) or Mend(f"give a pack this {what} in the site file"),
    )  # fmt: skip
    return False


def _rated(node: s.FilterRatedNode, scope: Scope) -> Selector | None:
    op = cast(Op, node.op.text)
    if node.what.type == "CAPACITY":
        rated = scope.amount(node.amount, CAPACITY, "`capacity`")
        return None if rated is None else chosen.Rated("capacity", op, rounded(rated.value))
    cells = scope.amount(node.amount, COUNT, "`cells`")
    if cells is None:
        return None
    if cells.value < 1 or cells.value % 1:
        scope.findings.add(
            "out-of-range", "`cells` counts whole cells from 1 on", node.amount.span,
            Mend("write it as `4`"),
        )  # fmt: skip
        return None
    return chosen.Rated("cells", op, cells.value)
