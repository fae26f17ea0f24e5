"""A mypy plugin that sees behind ``record.si``: only measured fields have a float, one number of a record, an array of an ``ArrayRecord``."""

from __future__ import annotations

import difflib
from collections.abc import Callable

from mypy.errorcodes import ATTR_DEFINED
from mypy.nodes import TypeInfo, Var
from mypy.plugin import AttributeContext, Plugin
from mypy.types import AnyType, Instance, Type, TypeOfAny, TypeVarType, UnionType, get_proper_type

FLOATS = "camcalc.results.Floats"
MEASURE = "camcalc.results.Measure"
SCALAR_MEASURE = "camcalc.array_record.ScalarMeasure"
ARRAY_RECORD = "camcalc.array_record.ArrayRecord"


def float_type(context: AttributeContext) -> Type:
    """Return the type of one name behind ``.si``, or report that the record has no measured field of that name."""
    whole = get_proper_type(context.type)
    views = [get_proper_type(item) for item in whole.items] if isinstance(whole, UnionType) else [whole]
    found = [float_type_of(view, getattr(context.context, "name", ""), context) for view in views if isinstance(view, Instance)]
    return UnionType.make_union(found) if found else context.default_attr_type


def float_type_of(floats: Instance, name: str, context: AttributeContext) -> Type:
    """Return the type of a name in one record's float view."""
    if floats.type.fullname != FLOATS:
        return context.default_attr_type
    record = get_proper_type(floats.args[0])
    if isinstance(record, TypeVarType):
        record = get_proper_type(record.upper_bound)
    if not isinstance(record, Instance):
        return context.default_attr_type
    if not is_measured(record.type, name):
        known = sorted(own for info in record.type.mro for own in info.names if is_measured(record.type, own))
        near = difflib.get_close_matches(name, known, n=1)
        hint = f'; maybe "{near[0]}"?' if near else ""
        context.api.fail(f'"{record.type.name}" has no measured field "{name}"{hint}', context.context, code=ATTR_DEFINED)
        return AnyType(TypeOfAny.from_error)
    kind = "_array" if record.type.has_base(ARRAY_RECORD) and declared(record.type, name) == MEASURE else "_number"
    found = floats.type.names[kind].type
    assert found is not None
    return found


def is_measured(record: TypeInfo, name: str) -> bool:
    """Whether a record declares a measured field of that name, itself or in a base."""
    return declared(record, name) in (MEASURE, SCALAR_MEASURE)


def declared(record: TypeInfo, name: str) -> str:
    """Return the full name of a field's declared class; nothing where there is no such field."""
    symbol = record.get(name)
    if symbol is None or not isinstance(symbol.node, Var) or symbol.node.type is None:
        return ""
    kind = get_proper_type(symbol.node.type)
    return kind.type.fullname if isinstance(kind, Instance) else ""


class RecordPlugin(Plugin):
    """Hooks into every attribute of the float view."""

    def get_attribute_hook(self, fullname: str) -> Callable[[AttributeContext], Type] | None:
        """Return the hook for an attribute of ``Floats``."""
        owner, _, name = fullname.rpartition(".")
        return float_type if owner == FLOATS and not name.startswith("_") else None


def plugin(version: str) -> type[Plugin]:
    """Return the plugin; the entry point that mypy looks for."""
    return RecordPlugin
