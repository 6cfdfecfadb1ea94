"""What documents have in common: frozen, without unknown keys, written as JSON in full, read back whole, and
known by the hash of what they say."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Annotated, Any, ClassVar, NoReturn, Self, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, PrivateAttr, ValidationError, model_validator

from diffbench.errors import DocumentError, Fault, Place, QuantityError
from diffbench.input_files import unfit_values
from diffbench.plain_text import whole_texts
from diffbench.results.manifest import content_digest, document, read_whole

__all__ = ["ByName", "Document", "Frozen", "Named", "UnknownNameError", "unknown"]

Item = TypeVar("Item")


class UnknownNameError(QuantityError, KeyError):
    """A name that a result does not have."""


def unknown(name: object, known: Iterable[str]) -> UnknownNameError:
    """The refusal of a name, with those that there are, the nearest first."""
    names = list(known)
    near = difflib.get_close_matches(str(name), names, n=1)
    there = ", ".join(dict.fromkeys([*near, *names])) or "none: there is nothing here"
    return UnknownNameError.single(f"there is no '{name}'", mend=f"name one of {there}")


class Named(dict[str, Item]):
    """Things by name, of which a name that is not there is refused with those that are.

    Examples
    --------
    >>> Named(loading=1.0, unloading=0.8)["up"]
    Traceback (most recent call last):
    diffbench.results.document.UnknownNameError: there is no 'up'. Mend: name one of loading, unloading.
    """

    def __missing__(self, name: str) -> NoReturn:
        raise unknown(name, self)


ByName = Annotated[dict[str, Item], AfterValidator(Named)]
"""A field of things by name."""


class Frozen(BaseModel):
    """A part of a document."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @model_validator(mode="before")
    @classmethod
    def _texts_that_can_be_written(cls, content: Any) -> Any:
        """Names of files need not be Unicode; what a document says of them is."""
        return whole_texts(content) if isinstance(content, dict) else content


class Document(Frozen):
    """A whole document, which names its format."""

    file_name: ClassVar[str]
    """Of the document in the folder of a result."""
    made_by: ClassVar[str]
    """The command that makes it."""
    indent: ClassVar[int | None] = 1
    """Of its JSON text."""
    tables: ClassVar[frozenset[str]] = frozenset()
    """Keys of tables that are looked through as a whole, not number by number."""
    _written: str | None = PrivateAttr(default=None)
    """The hash that the file bears which it was read from: a newer version knows more keys than wrote it."""

    def __repr_args__(self) -> Iterator[tuple[str | None, Any]]:
        """What it is of and what it comes to; what is long, by how much there is of it."""
        for name in type(self).model_fields:
            value = getattr(self, name, None)
            if isinstance(value, str | int | float) and name not in {"format", "rule", "sha256", "paste"}:
                yield name, value
            elif isinstance(value, dict | list) and value:
                yield name, _Number(len(value))

    __str__ = BaseModel.__repr__

    def content(self) -> dict[str, Any]:
        """The document as plain values, without its hash."""
        return self.model_dump(mode="json", exclude={"sha256"})

    @property
    def digest(self) -> str:
        """SHA-256 of the content (`content_digest`), by which other files know it: as it was written, where
        it was read."""
        return self._written or content_digest(self.content())

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """A copy; with an update it is no longer what was written."""
        copied = super().model_copy(update=update, deep=deep)
        if update:
            copied._written = None
        return copied

    def to_json(self) -> str:
        """The document as JSON text, numbers in full; with the hash of its content where it bears one."""
        content = self.content()
        if "sha256" in type(self).model_fields:
            content["sha256"] = content_digest(content)
        return json.dumps(content, ensure_ascii=False, indent=self.indent, allow_nan=False) + "\n"

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read a document, or that of the folder of a result.

        Parameters
        ----------
        path : str or Path
            The file, or the folder.

        Returns
        -------
        The document; that it was as written is held against its hash, where it bears one.

        Raises
        ------
        DocumentError
            Naming file, key and mend: it is no such document, or is not as it was written.
        """
        file = document(Path(path), cls.file_name)
        content = cls._parsed(file)
        again = f"make it again with {cls.made_by}"
        newer = f"{again}; a file of a newer version needs a newer diffbench"
        form = cls._format()
        said = content.get("format") if isinstance(content, dict) else None
        if isinstance(said, str) and said != form and said.startswith(form.rpartition("/")[0] + "/"):
            raise DocumentError.single(
                f"'{said}' is another version of the format: this diffbench reads {form}",
                file=str(file),
                key="format",
                mend=newer,
            )
        if isinstance(said, str) and said.startswith("diffbench-") and said != form:
            raise DocumentError.single(
                f"this is '{said}'; {form} is wanted",
                file=str(file),
                key="format",
                mend=f"name {cls.file_name}, or the folder of its result",
            )
        try:
            held = cls.model_validate(content)
        except ValidationError as error:
            raise DocumentError(
                [
                    Fault(item["msg"], Place(str(file), key=_key(item["loc"]) or None), newer)
                    for item in error.errors()[:20]
                ]
            ) from error
        # as the file has it: what is held has had its texts mended
        told = {key: part for key, part in content.items() if key not in cls.tables}
        faults = [
            Fault(what, Place(str(file), key=key), f"{again}: this one was edited or damaged")
            for key, what in (*islice(unfit_values(told), 20), *held.contradictions())
        ]
        written, found = content.get("sha256"), content_digest(content)
        # as it is written, or as it is understood: another program may write the same numbers otherwise
        if not faults and written not in (None, found, held.digest):
            faults.append(
                Fault(
                    f"the content does not match its hash (written {written:.12}…, found {found:.12}…): the "
                    "file was edited or damaged",
                    Place(str(file), key="sha256"),
                    f"{again}, or take the hash out if the change was meant",
                )
            )
        if faults:
            raise DocumentError(faults)
        # what was read is what it says it is: from here on the hash follows from the content
        if "sha256" in cls.model_fields:
            held = held.model_copy(update={"sha256": None})
            held._written = written if written != held.digest else None
        return held

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Key and fault of what a well-formed document of this kind cannot say."""
        return iter(())

    @classmethod
    def _format(cls) -> str:
        return str(get_args(cls.model_fields["format"].annotation)[0])

    @classmethod
    def _parsed(cls, file: Path) -> Any:
        """The file as plain values."""
        again = f"make it again with {cls.made_by}"
        try:
            return json.loads(read_whole(file).decode("utf-8"))
        except OSError as error:
            raise cls._not_there(file, error) from error
        except UnicodeDecodeError as error:
            raise DocumentError.single("is not UTF-8 text", file=str(file), mend=again) from error
        except json.JSONDecodeError as error:
            what = f"Invalid JSON: the file is cut off or damaged ({error.msg})"
            raise DocumentError.single(what, file=str(file), line=error.lineno, mend=again) from error
        except RecursionError as error:
            what = "Invalid JSON: nested without end"
            raise DocumentError.single(what, file=str(file), mend=again) from error

    @classmethod
    def _not_there(cls, file: Path, error: OSError) -> DocumentError:
        return DocumentError.single(
            f"cannot be read ({error.strerror})", file=str(file), mend="check the path"
        )

    @classmethod
    def published_schema(cls) -> dict[str, Any]:
        """JSON Schema of the document, under the name of its format."""
        schema = cls.model_json_schema()
        schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
        schema["$id"] = schema["title"] = cls._format()
        return schema


class _Number(int):
    """How many there are, as shown in place of them."""

    def __repr__(self) -> str:
        return f"<{int(self)}>"


def _key(parts: Iterable[str | int]) -> str:
    return ".".join(str(part) for part in parts)
