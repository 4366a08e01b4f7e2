"""Parameters declared once: as annotated fields of a frozen dataclass.

The same declaration gives validation and its messages, the options of the command line, the keys of chain files
and the tables of the documentation.  A field looks like this::

    ring: Annotated[float, Range(0.4, 2.0, help="0.4 keeps more doubtful ring, 2 is tight")] = 0.85

Supported types are ``float``, ``int``, ``bool``, ``str`` and each of them ``| None`` (written ``off``).
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from spillgate.dsp.errors import ParameterError, nearest

__all__ = ["Choice", "Flag", "Parameter", "Range", "from_dict", "parameters", "parse", "to_dict", "validate"]

Value = float | int | bool | str | None


@dataclass(frozen=True)
class Range:
    """Closed range of a number.

    Parameters
    ----------
    low, high : float
        Both ends are allowed.
    unit : str, optional
        Printed behind the value.
    help : str, optional
        One line for people.
    none : str, optional
        What ``None`` stands for, if the field allows it.
    words : tuple of (str, float or None), optional
        Words that may be written instead of a value, ``(("natural", -18.0),)``.
    """

    low: float
    high: float
    unit: str = ""
    help: str = ""
    none: str = "off"
    words: tuple[tuple[str, float | None], ...] = ()

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        words = [f"{word} ({self.none if value is None else f'{value:g}'})" for word, value in self.words]
        return ", ".join([f"{self.low:g} to {self.high:g}{unit}", *words])

    def admits(self, value: object) -> bool:
        """Tell whether `value` is a finite number inside the range."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return False
        return math.isfinite(value) and self.low <= value <= self.high


@dataclass(frozen=True)
class Choice:
    """One of some words.

    Parameters
    ----------
    options : tuple of str
        The allowed words.
    help : str, optional
        One line for people.
    none : str, optional
        What ``None`` stands for, if the field allows it.
    unit : str, optional
        Words have none.
    """

    options: tuple[str, ...]
    help: str = ""
    none: str = "off"
    unit: str = ""

    def __str__(self) -> str:
        return ", ".join(self.options)

    def admits(self, value: object) -> bool:
        """Tell whether `value` is one of the words."""
        return isinstance(value, str) and value in self.options


@dataclass(frozen=True)
class Flag:
    """Yes or no.

    Parameters
    ----------
    help : str, optional
        One line for people.
    none : str, optional
        What ``None`` stands for, if the field allows it.
    unit : str, optional
        A flag has none.
    """

    help: str = ""
    none: str = "off"
    unit: str = ""

    def __str__(self) -> str:
        return "true or false"

    def admits(self, value: object) -> bool:
        """Tell whether `value` is a bool."""
        return isinstance(value, bool)


Constraint = Range | Choice | Flag


@dataclass(frozen=True)
class Parameter:
    """One declared parameter of a processor or step.

    Attributes
    ----------
    name : str
    type : type
        ``float``, ``int``, ``bool`` or ``str``.
    optional : bool
        Whether ``None`` (written ``off``) is allowed.
    default : value
        ``dataclasses.MISSING`` if it must be given.
    constraint : Range, Choice or Flag
    """

    name: str
    type: type
    optional: bool
    default: Any
    constraint: Constraint

    @property
    def help(self) -> str:
        """The line for people."""
        return self.constraint.help

    @property
    def off(self) -> str:
        """How ``None`` is written."""
        words = self.constraint.words if isinstance(self.constraint, Range) else ()
        return next((word for word, value in words if value is None), "off")

    @property
    def allowed(self) -> str:
        """What may be written, for people."""
        more = ", or off" if self.optional and self.off == "off" else ""
        return f"{self.constraint}{more}"

    def said(self, value: Value) -> Value:
        """Give a value as it is written: ``None`` has a word."""
        return self.off if value is None else value

    def check(self, value: object, where: str) -> Value:
        """Return `value` in the declared type.

        Raises
        ------
        ParameterError
            If the value is not admitted; the message starts with `where`.
        """
        if isinstance(value, str) and isinstance(self.constraint, Range):
            value = dict(self.constraint.words).get(value, value)
        if value is None and self.optional:
            return None
        whole = self.type is not int or (
            isinstance(value, int | float) and math.isfinite(value) and value == int(value)
        )
        if whole and self.constraint.admits(value):
            return self.type(value)  # type: ignore[no-any-return]
        none = f" ({self.constraint.none})" if self.optional and self.off == "off" else ""
        raise ParameterError(f"{where}{self.name}: {value!r} is not allowed; use {self.allowed}{none}")


@cache
def _declared(cls: Any) -> tuple[Parameter, ...]:
    hints = typing.get_type_hints(cls, include_extras=True)
    found = []
    for field in dataclasses.fields(cls):
        hint = hints[field.name]
        if typing.get_origin(hint) is not typing.Annotated:
            continue
        kind, *extras = typing.get_args(hint)
        constraint = next((e for e in extras if isinstance(e, Constraint)), None)
        if constraint is None:
            continue
        optional = False
        if typing.get_origin(kind) in (typing.Union, types.UnionType):
            arms = [a for a in typing.get_args(kind) if a is not type(None)]
            optional = len(arms) < len(typing.get_args(kind))
            kind = arms[0]
        found.append(Parameter(field.name, kind, optional, field.default, constraint))
    return tuple(found)


def parameters(cls: Any) -> tuple[Parameter, ...]:
    """List the declared parameters of a dataclass in their order.

    Parameters
    ----------
    cls : type
        A dataclass whose parameter fields are annotated with a `Range`, `Choice` or `Flag`.

    Returns
    -------
    parameters : tuple of Parameter
        Fields without such an annotation are no parameters and are left out.
    """
    return _declared(cls)


def validate(obj: Any, where: str) -> None:
    """Check every parameter of a dataclass instance; call it from ``__post_init__``.

    Parameters
    ----------
    obj : object
        Its parameters are set to their declared types.
    where : str
        Start of an error message.

    Raises
    ------
    ParameterError
        Names the first parameter out of its range.
    """
    for parameter in parameters(type(obj)):
        value = parameter.check(getattr(obj, parameter.name), f"{where}.")
        object.__setattr__(obj, parameter.name, value)


def to_dict(obj: Any) -> dict[str, Value]:
    """Give the parameters of an instance as plain data, defaults included.

    Parameters
    ----------
    obj : object
        Instance of a dataclass with declared parameters.

    Returns
    -------
    values : dict of str to (float, int, bool, str or None)
    """
    return {p.name: getattr(obj, p.name) for p in parameters(type(obj))}


def from_dict(cls: type, values: Mapping[str, object], where: str) -> dict[str, Value]:
    """Check plain data against the parameters of `cls`.

    Parameters
    ----------
    cls : type
        Dataclass with declared parameters.
    values : mapping
        ``"off"`` stands for ``None`` where that is allowed (TOML has no null).
    where : str
        Start of an error message, e.g. ``"gate"``.

    Returns
    -------
    checked : dict
        Only the given keys.

    Raises
    ------
    ParameterError
        Unknown key (with the nearest known name) or value out of range.
    """
    known = {p.name: p for p in parameters(cls)}
    checked: dict[str, Value] = {}
    for key, value in values.items():
        if key not in known:
            raise ParameterError(f"{where}: unknown parameter '{key}'; {nearest(key, known)}")
        if value == "off" and known[key].optional:
            value = None
        checked[key] = known[key].check(value, f"{where}.")
    return checked


def parse(parameter: Parameter, text: str, where: str) -> Value:
    """Read one value from text, as written on a command line.

    Parameters
    ----------
    parameter : Parameter
    text : str
        ``off`` stands for ``None`` where that is allowed.
    where : str
        Start of an error message.

    Returns
    -------
    value : float, int, bool, str or None

    Raises
    ------
    ParameterError
        If the text is no such value.
    """
    if parameter.optional and text.lower() in ("off", "none"):
        return None
    value: object = text
    if parameter.type is bool:
        words = {
            "true": True,
            "yes": True,
            "on": True,
            "1": True,
            "false": False,
            "no": False,
            "off": False,
            "0": False,
        }
        value = words.get(text.lower(), text)
    elif parameter.type in (int, float):
        try:
            value = float(text)
        except ValueError:
            value = text
    return parameter.check(value, where)
