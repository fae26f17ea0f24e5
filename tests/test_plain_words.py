"""Every text a user reads is plain: no sentence over 25 words, no banned word. Read from the sources, so that no output is missed."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from .plain_words import banned_in, long_sentences

ROOT = Path(__file__).parents[1]
SOURCES = sorted((ROOT / "camcalc").rglob("*.py"))
PAGES = sorted((ROOT / "camcalc").rglob("*.html"))
TEXTS = [ROOT / "README.md", *sorted((ROOT / "examples").rglob("*.md"))]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def documented(node: ast.AST) -> ast.expr | None:
    """The docstring of a module, class or function, which is no output."""
    body = getattr(node, "body", None)
    first = body[0] if isinstance(body, list) and body else None
    if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
        return first.value
    return None


def joined(node: ast.expr) -> str | None:
    """A string as a user may see it: what is put in by a computation reads as one figure."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(v.value) if isinstance(v, ast.Constant) else "0" for v in node.values)
    return None


def strings(path: Path) -> Iterator[tuple[int, str]]:
    """Every string of a source that reads as prose, f-strings whole, docstrings left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = {id(found) for node in ast.walk(tree) if (found := documented(node)) is not None}
    skipped |= {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.expr) and id(node) not in skipped and (text := joined(node)) and text.count(" ") > 1:
            yield node.lineno, text


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_text_in_a_source_has_a_long_sentence_or_a_banned_word(path: Path) -> None:
    found = [f"{line}: {sentence}" for line, text in strings(path) for sentence in long_sentences(text)]
    assert found == []
    assert [f"{line}: {word}" for line, text in strings(path) for word in banned_in(text)] == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_no_page_has_a_long_sentence_or_a_banned_word_of_its_own(path: Path) -> None:
    text = re.sub(r"<style.*?</style>|<script.*?</script>|\{#.*?#\}|\{%.*?%\}", "\n", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    text = re.sub(r"<[^>]+>", "\n", re.sub(r"\{\{.*?\}\}", "0", text, flags=re.DOTALL))
    assert long_sentences(text) == []
    assert banned_in(text) == []


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_readme_has_a_banned_word(path: Path) -> None:
    assert banned_in(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_no_notebook_has_a_banned_word_or_a_long_sentence(path: Path) -> None:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    text = "\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
    assert banned_in(text) == []
    # A lesson may breathe a little more than an output.
    assert long_sentences(text, most=30) == []


def test_the_counter_counts() -> None:
    sentence = "one of these words and " * 5 + "one more."
    assert long_sentences(sentence) == [sentence]
    assert long_sentences(sentence, most=27) == []
    assert banned_in("It is told where due.") != []
