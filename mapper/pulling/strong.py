"""Strongly connected parts of a small directed graph (Tarjan 1972), without recursion."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

__all__ = ["strong_parts"]


def strong_parts(
    nodes: Iterable[int], successors: Mapping[int, Sequence[int]] | Sequence[Sequence[int]]
) -> list[list[int]]:
    """Return the strongly connected parts, each after every part that it leads to.

    Successors that are not among `nodes` must not occur.
    """
    number: dict[int, int] = {}
    lowest: dict[int, int] = {}
    open_path: list[int] = []
    on_path: set[int] = set()
    parts: list[list[int]] = []
    for root in nodes:
        if root in number:
            continue
        number[root] = lowest[root] = len(number)
        open_path.append(root)
        on_path.add(root)
        stack = [(root, iter(successors[root]))]
        while stack:
            node, rest = stack[-1]
            for after in rest:
                if after not in number:
                    number[after] = lowest[after] = len(number)
                    open_path.append(after)
                    on_path.add(after)
                    stack.append((after, iter(successors[after])))
                    break
                if after in on_path:
                    lowest[node] = min(lowest[node], number[after])
            else:
                stack.pop()
                if stack:
                    above = stack[-1][0]
                    lowest[above] = min(lowest[above], lowest[node])
                if lowest[node] == number[node]:
                    part = []
                    while True:
                        last = open_path.pop()
                        on_path.discard(last)
                        part.append(last)
                        if last == node:
                            break
                    parts.append(part)
    return parts
