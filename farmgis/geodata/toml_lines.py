"""Where each key of a TOML text stands. The standard library's parser gives values but no lines."""

from __future__ import annotations

import tomllib
from bisect import bisect_right
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]

BLANK = " \t\r\n"


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line, from 1, of each table, key and array item of a valid TOML text.

    >>> key_lines('[[pipe]]\\nnominal_mm = 63\\n')
    {('pipe',): 1, ('pipe', 0): 1, ('pipe', 0, 'nominal_mm'): 2}
    """
    return _Scan(text).lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """The line of a key or, where it does not stand in the text, of the table that it belongs in."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scan:
    """One walk through a text that the standard parser has already found to be valid."""

    def __init__(self, text: str) -> None:
        self.text = text + "\n"
        self.at = 0
        self.starts = [0] + [i + 1 for i, c in enumerate(text) if c == "\n"]
        self.lines: dict[KeyPath, int] = {}
        self.tables: dict[KeyPath, int] = {}  # arrays of tables: the index of the newest
        table: KeyPath = ()
        while self._skip_blank():
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._key_and_value(table)

    def _skip_blank(self, signs: str = BLANK) -> bool:
        """Go to the next sign that is neither blank nor comment; False at the end."""
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                self.at = self.text.index("\n", self.at)
            elif self.text[self.at] not in signs:
                return True
            else:
                self.at += 1
        return False

    def _line(self) -> int:
        return bisect_right(self.starts, self.at)

    def _header(self) -> KeyPath:
        """A `[table]` or `[[table]]`: the path of what follows."""
        line, many = self._line(), self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        names = self._dotted()
        self.at += 2 if many else 1
        path: KeyPath = ()
        for i, name in enumerate(names):
            path += (name,)
            self.lines.setdefault(path, line)
            if many and i == len(names) - 1:
                self.tables[path] = self.tables.get(path, -1) + 1
            if path in self.tables:
                path += (self.tables[path],)
                self.lines.setdefault(path, line)
        return path

    def _key_and_value(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for name in self._dotted():
            path += (name,)
            self.lines.setdefault(path, line)
        self.at += 1  # the equals sign
        self._value(path)

    def _dotted(self) -> list[str]:
        """A key's names; stops at the sign after it."""
        names = []
        while True:
            self._skip_blank(" \t")
            start = self.at
            if self.text[start] in "\"'":
                self._string()
                names.append(str(tomllib.loads(f"x = {self.text[start : self.at]}")["x"]))
            else:
                while self.text[self.at] not in " \t.=]":
                    self.at += 1
                names.append(self.text[start : self.at])
            self._skip_blank(" \t")
            if self.text[self.at] != ".":
                return names
            self.at += 1

    def _string(self) -> None:
        """Step over a string of any of the four kinds."""
        quote = self.text[self.at]
        mark = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(mark)
        while self.at < len(self.text) and not self.text.startswith(mark, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(mark)
        while (
            len(mark) == 3 and self.text[self.at : self.at + 1] == quote
        ):  # quotes may stand before the closing mark
            self.at += 1

    def _value(self, path: KeyPath) -> None:
        self._skip_blank(" \t")
        sign = self.text[self.at]
        if sign in "\"'":
            self._string()
        elif sign == "[":
            self._items(path)
        elif sign == "{":
            self._inline(path)
        else:
            while self.text[self.at] not in ",]}#\n":
                self.at += 1

    def _items(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        while self._skip_blank(BLANK + ",") and self.text[self.at] != "]":
            self.lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1
        self.at += 1

    def _inline(self, path: KeyPath) -> None:
        self.at += 1
        while self._skip_blank(BLANK + ",") and self.text[self.at] != "}":
            self._key_and_value(path)
        self.at += 1
