"""Other limits in the text of a limit file, which stays as its author wrote it: comments, order, layout.

=========================  ===================================================================
:func:`with_masks`         a file's text with other limits
:func:`with_next_revision` the same with its next revision
:func:`mask_path`          where a mask stands, or is to stand
:class:`CannotEdit`        the text is laid out so that it has to be changed by hand
=========================  ===================================================================

A limit that is there is replaced by its number alone. What the file does not have (the file that it builds on has it,
or nobody) is added as a line of its own. What comes out is read again, and must differ in nothing else.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import yaml

from linecheck.files.yaml import KeyPath
from linecheck.limits.model import Check, Limit, LimitFile, Mask


class CannotEdit(Exception):
    """The text of a limit file cannot be changed there; the message says why."""


def mask_path(limits: LimitFile, check: Check, metric: str, text: str) -> KeyPath:
    """Return where the mask of a metric stands in a limit file: in the check's own setup, or for all of its setups."""
    shared: KeyPath = ("checks", check.entry, "masks", metric)
    same = [entry for entry in limits.checks if entry.entry == check.entry]
    own: KeyPath = ("checks", check.entry, "setups", same.index(check), "masks", metric)
    return own if len(same) > 1 and _find(_root(text), own) is not None else shared


def with_masks(text: str, masks: Mapping[KeyPath, Mask]) -> str:
    """Return a limit file's text with other masks.

    Parameters
    ----------
    text : str
        Of a file without faults.
    masks : mapping of KeyPath to Mask
        By where they stand.

    Raises
    ------
    CannotEdit
        One of them cannot be put there.
    """
    changed, wanted = text, copy.deepcopy(yaml.safe_load(text))
    for path, mask in masks.items():
        for (name, side), limit in mask.limits.items():
            place = (*path, name, side)
            changed = _with_value(changed, place, limit_text(limit))
            _put(wanted, place, yaml.safe_load(limit_text(limit)))
    if yaml.safe_load(changed) != wanted:
        raise CannotEdit("its layout is none that can be changed")
    return changed


def with_next_revision(text: str) -> str:
    """Return a limit file's text with the next revision, where it has one."""
    node = _find(_root(text), ("revision",))
    return text if node is None else _with_value(text, ("revision",), str(int(node.value) + 1))


def limit_text(limit: Limit) -> str:
    """Return a limit as limit files have it."""
    if not isinstance(limit, tuple):
        return _number(limit)
    return "[" + ", ".join(f"[{_number(x)}, {_number(y)}]" for x, y in limit) + "]"


def _number(value: float) -> str:
    text = f"{Decimal(f'{value:.12g}'):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _root(text: str) -> yaml.Node:
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    if not isinstance(root, yaml.MappingNode):
        raise CannotEdit("it is no mapping")
    return root


def _find(node: yaml.Node, path: KeyPath) -> yaml.Node | None:
    for part in path:
        below = None
        if isinstance(node, yaml.MappingNode):
            below = next((value for key, value in node.value if key.value == part), None)
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            below = node.value[part]
        if below is None:
            return None
        node = below
    return node


def _with_value(text: str, path: KeyPath, value: str) -> str:
    """Return a text with one value set; what leads there is added where it is missing."""
    root = _root(text)
    there = _find(root, path)
    if there is not None:
        if isinstance(there, yaml.CollectionNode) and not there.flow_style:
            raise CannotEdit(f"{'.'.join(map(str, path))} is a list in lines of its own")
        return text[: there.start_mark.index] + value + text[there.end_mark.index :]
    depth = len(path)
    while _find(root, path[:depth]) is None:
        depth -= 1
    above = _find(root, path[:depth])
    if not isinstance(above, yaml.MappingNode) or not all(isinstance(part, str) for part in path[depth:]):
        raise CannotEdit(f"{'.'.join(map(str, path[:depth]))} is nothing that a mask can be added to")
    return _added(text, above, [str(part) for part in path[depth:]], value)


def _added(text: str, above: yaml.MappingNode, names: Sequence[str], value: str) -> str:
    """Return a text with a key added to a mapping: after its last one in flow style, before its first one in lines."""
    if above.flow_style or not above.value:
        # In front of the closing brace.
        end = above.end_mark.index - 1
        if text[end : end + 1] != "}":
            raise CannotEdit("it is empty")
        return f"{text[:end].rstrip(' ')}{', ' if above.value else ''}{_flow(names, value)}{text[end:]}"
    first = above.value[0][0].start_mark
    indent = " " * first.column
    # Levels down to the masks have lines of their own, and a mask has one.
    lines, inner = [], indent
    rest = list(names)
    while len(rest) > 3:
        lines.append(f"{inner}{rest.pop(0)}:")
        inner += "  "
    lines.append(f"{inner}{_flow(rest, value)}")
    added = "\n".join(lines).lstrip(" ")
    return f"{text[: first.index]}{added}\n{indent}{text[first.index :]}"


def _flow(names: Sequence[str], value: str) -> str:
    inner = value
    for name in reversed(names[1:]):
        inner = f"{{{name}: {inner}}}"
    return f"{names[0]}: {inner}"


def _put(data: Any, path: KeyPath, value: Any) -> None:  # noqa: ANN401 - plain data
    for part in path[:-1]:
        data = data[part] if isinstance(part, int) else data.setdefault(part, {})
    data[path[-1]] = value
