"""Known: what was found for an earlier result, looked up by all that it was found from.

Nothing is told apart by name, number or place in a list, so nothing can be taken for another:
a key is made of the very numbers that go into the finding. What the latest result did not ask
for is let go.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from hashlib import blake2b
from typing import Any, TypeVar, cast

import numpy as np

from seamwright.mesh import Mesh

Key = bytes
Found = TypeVar("Found")

LENGTH = 32
"""Bytes of a key: two that are alike by accident are not to be met with."""


class Known:
    """What has been found so far for one result, and what was for the one before it.

    before : of the earlier result; it is not changed.
    """

    def __init__(self, before: Known | None = None) -> None:
        self._found: dict[Key, Any] = {}
        self._before: dict[Key, Any] = {} if before is None else before._found
        # By identity, so what is named must live as long.
        self._names: dict[int, tuple[object, Key]] = {}

    def of(self, key: Key, find: Callable[[], Found]) -> Found:
        """What goes with a key; found only if neither this result nor the one before has it."""
        if key not in self._found:
            self._found[key] = self._before[key] if key in self._before else find()
        return cast("Found", self._found[key])

    def has(self, key: Key) -> bool:
        return key in self._found or key in self._before

    def put(self, key: Key, found: Found) -> Found:
        """The same in place of what was there, as it is now wanted."""
        self._found[key] = found
        return found

    def name(self, thing: object, find: Callable[[], Key]) -> Key:
        """The key of an object, made once."""
        if id(thing) not in self._names:
            self._names[id(thing)] = thing, find()
        return self._names[id(thing)][1]

    def shape(self, mesh: Mesh) -> Key:
        """The key of a mesh's vertices and faces, whatever their tags."""
        return self.name(mesh, lambda: key_of(mesh.vertices, mesh.faces))

    def whole(self, mesh: Mesh) -> Key:
        """The key of a mesh with its tags."""
        return self.name(mesh.tag, lambda: key_of(self.shape(mesh), mesh.tag))

    def settled(self) -> Known:
        """Only what this result asked for, to be kept with it."""
        kept = Known()
        kept._found = self._found
        return kept


def key_of(*parts: object) -> Key:
    """A key of arrays, numbers, words, and tuples, lists and values made of them, in order.

    Raises
    ------
    TypeError
        If something else is among them, of which nobody knows when two are alike.
    """
    known = blake2b(digest_size=LENGTH)
    _add(known, parts)
    return known.digest()


def _add(known: blake2b, part: object) -> None:
    """Each part begins with what it is and how long, so that none runs into the next."""
    if isinstance(part, np.ndarray):
        known.update(f"array {part.dtype.str} {part.shape};".encode())
        if part.size:
            known.update(np.ascontiguousarray(part).data)
    elif isinstance(part, bytes):
        known.update(f"bytes {len(part)};".encode())
        known.update(part)
    elif isinstance(part, (str, bool, int, float)) or part is None:
        # What is written of a float tells it to the last bit.
        word = repr(part).encode()
        known.update(f"{type(part).__name__} {len(word)};".encode())
        known.update(word)
    elif isinstance(part, (tuple, list)):
        known.update(f"row {len(part)};".encode())
        for one in part:
            _add(known, one)
    elif is_dataclass(part) and not isinstance(part, type):
        own = [getattr(part, f.name) for f in fields(part)]
        known.update(f"{type(part).__name__} {len(own)};".encode())
        for one in own:
            _add(known, one)
    else:
        raise TypeError(f"No key can be made of a {type(part).__name__}.")
