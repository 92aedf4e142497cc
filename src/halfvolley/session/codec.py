"""The project's nouns on disk: one JSON tree for the shape, one .npz for the numbers.

Works for every frozen dataclass of the package whose fields are arrays, numbers, text, paths,
fractions, tuples of these, other such dataclasses, or None. Nothing in a file can run code: a type
is looked up by name among the package's own dataclasses.
"""

import dataclasses
import importlib
import json
import math
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import BadInput

TREE, ARRAYS = "noun.json", "arrays.npz"
_ROOT = __name__.split(".")[0]
T = TypeVar("T")


def save_noun(noun: Any, folder: Path) -> None:
    """Write a noun as `noun.json` and `arrays.npz`.

    Parameters
    ----------
    noun : frozen dataclass
        See the module.
    folder : Path
        An existing folder.

    Raises
    ------
    BadInput
        If a field holds something that has no place on disk.
    """
    pool = _Pool()
    tree = _pack(noun, pool)
    with open(folder / ARRAYS, "wb") as stream:
        np.savez(stream, allow_pickle=False, **pool.joined())
    (folder / TREE).write_text(json.dumps(tree, allow_nan=False), encoding="utf-8")


def load_noun(kind: type[T], folder: Path) -> T:
    """The noun that `save_noun` wrote; its own checks run again.

    Parameters
    ----------
    kind : type
        What it must be.
    folder : Path
        Where it was written.

    Raises
    ------
    BadInput
        If the files are damaged, or hold something else.
    """
    try:
        tree = json.loads((folder / TREE).read_text(encoding="utf-8"))
        with open(folder / ARRAYS, "rb") as stream:
            with np.load(stream, allow_pickle=False) as arrays:
                pool = {name: arrays[name] for name in arrays.files}
        noun = _unpack(tree, pool)
    except Exception as error:  # any damage at all has one cure: compute it again
        raise BadInput(f"{folder} cannot be read ({error}); delete it and measure again") from error
    if not isinstance(noun, kind):
        raise BadInput(f"{folder} holds a {type(noun).__name__}, expected {kind.__name__}")
    return noun


class _Pool:
    """All arrays of one noun, end to end, one line for each dtype.

    A long clip has thousands of small arrays; a zip entry for each would take seconds.
    """

    def __init__(self) -> None:
        self.parts: dict[str, list[NDArray[Any]]] = {}
        self.length: dict[str, int] = {}

    def add(self, array: NDArray[Any]) -> dict[str, Any]:
        if array.dtype.kind not in "biuf":
            raise BadInput(f"an array of {array.dtype} has no place on disk")
        name = array.dtype.name
        offset = self.length.get(name, 0)
        self.parts.setdefault(name, []).append(np.ravel(array))
        self.length[name] = offset + array.size
        return {"dtype": name, "shape": list(array.shape), "offset": offset}

    def joined(self) -> dict[str, NDArray[Any]]:
        return {name: np.concatenate(parts) for name, parts in self.parts.items()}


def _pack(value: Any, pool: _Pool) -> Any:
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.ndarray):
        return {"array": pool.add(value)}
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        number = float(value)
        return number if math.isfinite(number) else {"float": repr(number)}
    if isinstance(value, Fraction):
        return {"fraction": [value.numerator, value.denominator]}
    if isinstance(value, Path):
        return {"path": str(value)}
    if isinstance(value, tuple):
        return [_pack(item, pool) for item in value]
    if dataclasses.is_dataclass(value) and _is_own(type(value)):
        kind = type(value)
        fields = {f.name: _pack(getattr(value, f.name), pool) for f in dataclasses.fields(value)}
        return {"noun": f"{kind.__module__}:{kind.__qualname__}", "fields": fields}
    raise BadInput(f"a {type(value).__name__} has no place on disk")


def _unpack(tree: Any, pool: dict[str, NDArray[Any]]) -> Any:
    if isinstance(tree, list):
        return tuple(_unpack(item, pool) for item in tree)
    if not isinstance(tree, dict):
        return tree
    if "array" in tree:
        place = tree["array"]
        size = math.prod(place["shape"])
        flat = pool[place["dtype"]][place["offset"] : place["offset"] + size]
        return flat.reshape(place["shape"]).copy()
    if "float" in tree:
        return float(tree["float"])
    if "fraction" in tree:
        return Fraction(*tree["fraction"])
    if "path" in tree:
        return Path(tree["path"])
    fields = {name: _unpack(value, pool) for name, value in tree["fields"].items()}
    return _kind(tree["noun"])(**fields)


def _kind(name: str) -> type:
    module, _, kind_name = name.partition(":")
    if module.split(".")[0] != _ROOT:
        raise BadInput(f"{name} is not one of the project's nouns")
    kind = getattr(importlib.import_module(module), kind_name)
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind) and _is_own(kind)):
        raise BadInput(f"{name} is not one of the project's nouns")
    return kind


def _is_own(kind: type) -> bool:
    params = getattr(kind, "__dataclass_params__", None)
    return kind.__module__.split(".")[0] == _ROOT and bool(params and params.frozen)
