"""The sentences that stand below the fields of a class, for those who describe it to others."""

from __future__ import annotations

import ast
import inspect
import sys
from functools import lru_cache
from itertools import pairwise


@lru_cache(maxsize=8)
def _module(name: str) -> ast.Module:
    return ast.parse(inspect.getsource(sys.modules[name]))


def sentences(kind: type) -> dict[str, str]:
    """Field of a class to the text below it; fields without one are left out."""
    body = next(
        one.body
        for one in _module(kind.__module__).body
        if isinstance(one, ast.ClassDef) and one.name == kind.__name__
    )
    found = {}
    for field, below in pairwise(body):
        match field, below:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(sentence))):
                found[name] = inspect.cleandoc(sentence)
    return found
