"""Where a fault can be put into a source, and what it does there."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

CORE = ("cam", "engine", "cycle", "burn", "advice", "drive", "tables", "logs", "units.py")
TURNED: dict[type[ast.cmpop], str] = {ast.Lt: ">=", ast.LtE: ">", ast.Gt: "<=", ast.GtE: "<", ast.Eq: "!=", ast.NotEq: "==", ast.Is: "is not", ast.IsNot: "is"}
SILENT = (ast.Import, ast.ImportFrom, ast.Raise, ast.Assert)
SIGNS: dict[type[ast.operator], str] = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*"}


class Fault(NamedTuple):
    """One fault: the file within the package, its kind, line, what stands there and what is put there instead; whether compiled code may hold it."""

    path: str
    kind: str
    line: int
    start: int
    end: int
    was: str
    new: str
    compiled: bool

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.kind}: {' '.join(self.was.split())} -> {' '.join(self.new.split())}"

    def applied(self, text: str) -> str:
        """Return a source with the fault in it."""
        data = text.encode()
        assert data[self.start : self.end].decode() == self.was
        return (data[: self.start] + self.new.encode() + data[self.end :]).decode()


class Source:
    """A module's text with its tree, and the byte at which each place is."""

    def __init__(self, package: Path, path: Path) -> None:
        self.name, self.text = path.relative_to(package).as_posix(), path.read_text(encoding="utf-8")
        self.tree, self.data = ast.parse(self.text), self.text.encode()
        self.starts = [0]
        for line in self.data.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        """Return first and last byte of a node."""
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self.starts[node.lineno - 1] + node.col_offset, self.starts[node.end_lineno - 1] + node.end_col_offset

    def of(self, node: ast.expr | ast.stmt) -> str:
        """Return the text of a node."""
        start, end = self.span(node)
        return self.data[start:end].decode()

    def faults(self) -> Iterator[Fault]:
        """Return every fault that can be put here: in code that runs, not in declarations of types, nor in the words of errors."""
        top = {name.id for node in self.tree.body if not isinstance(node, ast.FunctionDef) for name in ast.walk(node) if isinstance(name, ast.Name)}
        yield from self._inside(self.tree.body, compiled=True, top=top)

    def _inside(self, body: list[ast.stmt], *, compiled: bool, top: set[str]) -> Iterator[Fault]:
        returns = [node for one in body for node in ast.walk(one) if isinstance(node, ast.Return) and node.value is not None]
        for node in body:
            if isinstance(node, ast.FunctionDef):
                # What is decorated may be compiled, and what is called as the module is loaded may end in a compiled constant.
                kernel = node.name in top or any("compiled" in ast.unparse(one) for one in node.decorator_list)
                yield from self._inside(node.body, compiled=kernel, top=top)
                for default in [*node.args.defaults, *[one for one in node.args.kw_defaults if one is not None]]:
                    yield from self._in_expression(default, compiled)
            elif isinstance(node, ast.ClassDef):
                yield from self._inside(node.body, compiled=False if node.name not in top else compiled, top=top)
            elif isinstance(node, SILENT) or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)):
                continue
            else:
                yield from self._in_statement(node, compiled, top)
        if len(returns) > 1:
            # What another way out of the function returns.
            for one, other in zip(returns, [*returns[1:], returns[0]], strict=True):
                assert one.value is not None
                assert other.value is not None
                if self.of(one.value) != self.of(other.value) and compiled is False:
                    yield self._fault("another return", one.value, self.of(other.value), compiled)

    def _in_statement(self, node: ast.stmt, compiled: bool, top: set[str]) -> Iterator[Fault]:
        for name, field in ast.iter_fields(node):
            if name in ("annotation", "target", "targets", "type"):
                continue
            for one in field if isinstance(field, list) else [field]:
                if isinstance(one, ast.stmt):
                    yield from self._inside([one], compiled=compiled, top=top)
                elif isinstance(one, ast.expr):
                    if isinstance(node, ast.If | ast.While) and name == "test":
                        yield self._fault("condition negated", one, f"not ({self.of(one)})", compiled)
                    yield from self._in_expression(one, compiled)
                elif isinstance(one, ast.ExceptHandler):
                    yield from self._inside(one.body, compiled=compiled, top=top)
                elif isinstance(one, ast.withitem):
                    yield from self._in_expression(one.context_expr, compiled)

    def _in_expression(self, root: ast.expr, compiled: bool) -> Iterator[Fault]:
        if isinstance(root, ast.JoinedStr):
            return
        yield from self._at(root, compiled)
        for child in ast.iter_child_nodes(root):
            if isinstance(child, ast.expr):
                yield from self._in_expression(child, compiled)
            elif isinstance(child, ast.comprehension):
                for part in (child.iter, *child.ifs):
                    yield from self._in_expression(part, compiled)
            elif isinstance(child, ast.keyword):
                yield from self._in_expression(child.value, compiled)

    def _at(self, node: ast.expr, compiled: bool) -> Iterator[Fault]:
        if isinstance(node, ast.Constant) and isinstance(node.value, float) and node.value not in (0.0,):
            yield self._fault("number by 5 %", node, repr(node.value * 1.05), compiled)
        elif isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in TURNED:
            yield self._fault("comparison", node, f"{self.of(node.left)} {TURNED[type(node.ops[0])]} {self.of(node.comparators[0])}", compiled)
        elif isinstance(node, ast.BinOp) and type(node.op) in SIGNS:
            # Brackets that stand around either side are no part of it, so only the sign between is changed.
            start, end = self.span(node.left)[1], self.span(node.right)[0]
            between = self.data[start:end].decode()
            sign = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}[type(node.op)]
            if between.count(sign) == 1:
                new = between.replace(sign, SIGNS[type(node.op)])
                yield Fault(self.name, "sign", node.lineno, start, end, between, new, compiled)
        elif isinstance(node, ast.BoolOp):
            start, end = self.span(node.values[0])[1], self.span(node.values[1])[0]
            between, word = self.data[start:end].decode(), "and" if isinstance(node.op, ast.And) else "or"
            if len(node.values) == 2 and between.count(word) == 1:
                yield Fault(self.name, "and/or", node.lineno, start, end, between, between.replace(word, "or" if word == "and" else "and"), compiled)
        elif isinstance(node, ast.Subscript):
            yield from self._index(node.slice, compiled)

    def _index(self, index: ast.expr, compiled: bool) -> Iterator[Fault]:
        parts = index.elts if isinstance(index, ast.Tuple) else [index]
        parts = [one for part in parts for one in ([part.lower, part.upper] if isinstance(part, ast.Slice) else [part]) if one is not None]
        for one in parts:
            # Long names are keys of tables of words: a fault there only ends in an error.
            counts = isinstance(one, ast.Constant) and isinstance(one.value, int)
            if counts or isinstance(one, ast.BinOp | ast.UnaryOp) or (isinstance(one, ast.Name) and len(one.id) <= 2):
                yield self._fault("index off by one", one, f"({self.of(one)}) + 1", compiled)

    def _fault(self, kind: str, node: ast.expr, new: str, compiled: bool) -> Fault:
        start, end = self.span(node)
        return Fault(self.name, kind, node.lineno, start, end, self.data[start:end].decode(), new, compiled)


def all_faults(package: Path) -> list[Fault]:
    """Return every fault that can be put into the core, in order."""
    found: list[Fault] = []
    for part in CORE:
        for path in [package / part] if part.endswith(".py") else sorted((package / part).glob("*.py")):
            if path.name != "__init__.py":
                found += Source(package, path).faults()
    return found
