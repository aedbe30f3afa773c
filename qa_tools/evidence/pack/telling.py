"""Saying how far a long piece of work is, while a terminal or a notebook is watching."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any


@contextmanager
def telling() -> Iterator[Callable[[str], None]]:
    """
    A function that is told each step; shows it where somebody watches, and clears it at the end.

    Nothing is shown where the output goes into a file.
    """
    from rich.console import Console

    console = Console(stderr=True)
    if console.is_jupyter:
        # a line of HTML that is written over: rich's own needs ipywidgets, which may be missing
        shown: Any = import_module("IPython.display")
        handle = shown.display(shown.HTML(""), display_id=True)
        yield lambda step: handle.update(shown.HTML(f"<i>{step} ...</i>"))
        handle.update(shown.HTML(""))
    elif console.is_terminal:
        with console.status("") as status:
            yield lambda step: status.update(f"{step} ...")
    else:
        yield lambda step: None
