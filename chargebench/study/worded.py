"""A finding that is told in a sentence. Owns how it stands in JSON: its numbers, and the sentence as ``text``."""

from __future__ import annotations

from chargebench.plain import JsonObject, also, fields_as_json

__all__ = ["Worded"]


class Worded:
    """Base of frozen findings with words of their own."""

    __pydantic_config__ = also(text="string")

    @property
    def words(self) -> str:
        """The finding in plain words."""
        raise NotImplementedError

    def as_json(self) -> JsonObject:
        """All fields, and the words as ``text``."""
        return {**fields_as_json(self), "text": self.words}
