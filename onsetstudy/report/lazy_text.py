"""Text that is painted when it is first asked for: who reads words or numbers alone waits for no drawing."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, overload

__all__ = ["Painted"]


class Painted:
    """A field of a dataclass that is given text or what paints it, and gives text; painted once.

    The dataclass has no slots: what is kept lies in its dictionary under the name of the field.
    """

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    if TYPE_CHECKING:

        @overload
        def __get__(self, instance: None, owner: type) -> Painted: ...
        @overload
        def __get__(self, instance: object, owner: type) -> str: ...

    def __get__(self, instance: object | None, owner: type) -> Painted | str:
        if instance is None:
            raise AttributeError(self._name)  # by which a dataclass knows that the field has no default
        kept = vars(instance)
        if not isinstance(kept[self._name], str):
            kept[self._name] = kept[self._name]()
        text: str = kept[self._name]
        return text

    def __set__(self, instance: object, value: str | Callable[[], str]) -> None:
        vars(instance)[self._name] = value
