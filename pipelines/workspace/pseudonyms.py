"""Who is to be called by a pseudonym from now on: the list of people who were forgotten, and names as they stand in text.

The list holds no name. It holds keyed hashes (BLAKE2b, RFC 7693) of an id, a label and the words of a label, each with what stands in its
place; whoever has the list and guesses a name can tell that it was meant, nobody can read one out of it. It stands hidden among the
registers, sealed, so that a backup takes it along.

Here belongs finding and replacing names in texts and frames. Not here: which files hold them (traces), and what `forget` does in
which order (pipelines/forgetting.py).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.workspace.checksums import Damaged, sealed, unsealed
from pipelines.workspace.paths import Workspace
from pipelines.workspace.refusals import WorkspaceError, told, write_atomically

if TYPE_CHECKING:
    import polars as pl

PERSON, LABEL, CERTIFICATE = "technician_id", "label", "certificate_ref"
LIST = "registers/.forgotten.json"
JOURNAL = (
    "forgetting.json"  # below .filmledger while somebody is being forgotten: the one place where the names stand then
)
LOOSE = 5  # letters from which a name is found inside other words too
MOST_KNOWN = 1 << 18  # texts that are not looked at twice
MOST_WORDS = 6  # of a label that are looked for together
_TOKEN = re.compile(r"""[^\s'",;:()\[\]{}/=<>|]+""")
_MADE = re.compile(r"person-[0-9a-f]{10}(?:-(?:name|\d+))?(?:-[0-9a-f]{4}(?![0-9a-f]))?")


def alone(name: str) -> str:
    """A pattern: a name with no letter before or behind its letters, no digit before or behind its digits."""
    ends = [r"[^\W\d_]" if sign.isalpha() else r"\d" if sign.isdigit() else "(?!)" for sign in (name[0], name[-1])]
    return rf"(?<!{ends[0]}){re.escape(name)}(?!{ends[1]})"


def words_of(label: str) -> list[str]:
    """The words of a label that may name somebody by themselves."""
    return re.findall(r"[^\W\d_]{3,}", label)


def pseudonym(key: str, person: str) -> str:
    """What an id is called: the same for the same key. A pseudonym stays what it is."""
    return person if _MADE.fullmatch(person) else f"person-{_hash(key, 'called:' + person)[:10]}"


def _hash(key: str, text: str) -> str:
    return hashlib.blake2b(
        unicodedata.normalize("NFC", text).encode(), key=bytes.fromhex(key), digest_size=16
    ).hexdigest()


class Forgotten:
    """The list of a workspace. `ids`: hash of an id as it is written -> what it is called; `names`: hash of a name, without
    regard to case -> what stands for it in texts, and how it is usually spelt. Empty where nobody was forgotten."""

    def __init__(
        self, key: str, ids: Mapping[str, str] | None = None, names: Mapping[str, tuple[str, str]] | None = None
    ) -> None:
        self.key, self.ids, self.names = key, dict(ids or {}), {one: tuple(said) for one, said in (names or {}).items()}
        self._met: frozenset[str] = frozenset()  # names that the registers hold: found inside other words too
        self._known: dict[str, str] = {}  # texts that were looked at

    def __bool__(self) -> bool:
        return bool(self.ids)

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__ | {"_known": {}}

    @property
    def word(self) -> str:
        """The list as one word; empty where nobody is on it."""
        return hashlib.sha256(json.dumps(self.as_json()).encode()).hexdigest() if self.ids else ""

    def called(self, person: str) -> str | None:
        """What somebody who was forgotten is called; None for everybody else."""
        return self.ids.get(_hash(self.key, f"id:{person}"))

    def add(self, person: str, names: Iterable[str]) -> str:
        """Put somebody on the list: an id, and all that names this person in texts. Returns the pseudonym."""
        called = pseudonym(self.key, person)
        self.ids[_hash(self.key, f"id:{person}")] = called
        for number, name in enumerate(names):
            said = called if name == person else f"{called}-{number}"
            self.names.setdefault(self._hashed(name), (said, self._spelt(name)))
        return called

    def as_json(self) -> dict[str, Any]:
        return {"key": self.key, "ids": dict(sorted(self.ids.items())), "names": dict(sorted(self.names.items()))}

    def meet(self, texts: Iterable[str]) -> None:
        """Learn names of the list from what the registers say, before anything else is looked at."""
        self._met |= {name.casefold() for text in texts for name in self._in(text)}
        self._known.clear()

    def text(self, text: str) -> str:
        """A text with what stands for every name that it holds. What differed differs still: other names, and other spellings of
        one, become other words."""
        if not self.ids or text in self._known:
            return self._known.get(text, text)
        if len(self._known) >= MOST_KNOWN:
            self._known.clear()
        found = self._met | {name.casefold() for name in self._in(text)}
        out = _either(found).sub(self._instead, text) if found else text
        self._known[text] = out
        return out

    def swapped(self, text: str) -> str:
        """A text with what stands for the names that were met, and for no others."""
        return _either(self._met).sub(self._instead, text) if self._met else text

    def _in(self, text: str) -> set[str]:
        """The names of the list that stand in a text as words of it."""
        return {one for one in _candidates(text) if self._hashed(one) in self.names}

    def _hashed(self, name: str) -> str:
        return _hash(self.key, name.casefold())

    def _spelt(self, name: str) -> str:
        return _hash(self.key, f"as:{name}")[:4]

    def _instead(self, found: re.Match[str]) -> str:
        said, usual = self.names[self._hashed(found[0])]
        return said if usual == (spelt := self._spelt(found[0])) else f"{said}-{spelt}"

    def restored(self, text: str, spoken: Iterable[str]) -> str:
        """A text of ours (a layout) as it stood before its names were replaced, as far as `spoken`, what the shop's files say, still
        holds them: an export reads as it did."""
        if not self.ids or not (wanted := set(_MADE.findall(text))):
            return text
        back: dict[str, str] = {}
        for said in spoken:
            for name in self._in(said):
                back.setdefault(self.text(name), name)
            if wanted <= back.keys():
                break
        return _MADE.sub(lambda made: back.get(made[0], made[0]), text)

    def frame(self, frame: pl.DataFrame) -> pl.DataFrame:
        """A table with what stands for every name: in the column of people by their id, elsewhere as in a text."""
        import polars as pl

        if not self.ids:
            return frame
        done = []
        if PERSON in frame.columns:
            who = frame[PERSON].drop_nulls().unique()
            called = {one: said for one in who if (said := self.called(one))}
            mine = pl.col(PERSON).is_in(list(called) + list(self.ids.values()))
            done.append(pl.col(PERSON).replace(called))
            if {LABEL, "hired_on"} <= set(frame.columns):  # the register of people
                label = pl.when(mine & pl.col(LABEL).is_not_null()).then(pl.col(PERSON).replace(called))
                done.append(label.otherwise(LABEL).alias(LABEL))
            if CERTIFICATE in frame.columns:
                papers = frame.filter(mine)[CERTIFICATE].drop_nulls().unique()
                short = {one: self._paper(one) for one in papers}
                changed = pl.when(mine).then(pl.col(CERTIFICATE).replace(short)).otherwise(CERTIFICATE)
                done.append(changed.alias(CERTIFICATE))
        own = {expr.meta.output_name() for expr in done}
        for column in (frame[name] for name in frame.columns if name not in own):
            flat = column.dtype == pl.String
            if flat or column.dtype == pl.List(pl.String):
                held = (column if flat else column.explode()).drop_nulls().unique()
                changed_to = {text: said for text in held if (said := self.text(text)) != text}
                if changed_to:
                    swapped = pl.element().replace(changed_to)
                    at = pl.col(column.name)
                    done.append(at.replace(changed_to) if flat else at.list.eval(swapped))
        return frame.with_columns(done)

    def _paper(self, text: str) -> str:
        """A certificate's number leads to a person outside: another word stands for it."""
        return text if text.startswith("paper-") else f"paper-{_hash(self.key, 'paper:' + text)[:10]}"


@cache
def _either(names: frozenset[str]) -> re.Pattern[str]:
    """Any of these names, the longest first; a long one inside other words too."""
    longest = sorted(names, key=lambda name: (-len(name), name))
    ways = (re.escape(name) if len(name) >= LOOSE else alone(name) for name in longest)
    return re.compile("|".join(ways), re.IGNORECASE)


def _candidates(text: str) -> Iterator[str]:
    """Everything in a text that may be a name on the list."""
    text = unicodedata.normalize("NFC", text)
    yield text.strip()
    yield from re.findall(r"[^\W\d_]{2,}", text)
    yield from re.findall(r"[^\W_]+", text)
    yield from re.findall(r"\w+", text)
    for line in text.splitlines():
        tokens = _TOKEN.findall(line)
        for token in tokens:
            yield token
            yield token.rstrip(".-_")
        for at in range(len(tokens)):
            for end in range(at + 2, min(at + MOST_WORDS, len(tokens)) + 1):
                yield " ".join(tokens[at:end])


# --- where it is kept -------------------------------------------------------------------------------------------------


def forgotten(space: Workspace) -> Forgotten:
    """The list of a workspace; one that nobody is on where there is none. Raises WorkspaceError where it is damaged or a later
    version wrote it: without it names that were to be gone would come back."""
    full = space.root / LIST
    try:
        said = unsealed(full)
        return Forgotten(said["key"], said["ids"], said["names"])
    except FileNotFoundError:
        return Forgotten(secrets.token_hex(32))
    except (Damaged, KeyError) as error:
        raise WorkspaceError(
            f"{full} is damaged: it says who is to be called by a pseudonym. Put it back from a backup; nothing was replaced."
        ) from error


def keep_forgotten(space: Workspace, people: Forgotten) -> None:
    """Write the list, for its owner alone."""
    _write(space.root / LIST, people.as_json())


def has_list(space: Workspace) -> bool:
    return (space.root / LIST).is_file()


def begun(space: Workspace) -> list[dict[str, Any]]:
    """Who is being forgotten: the journal of a `forget` that has not ended. `person`, and `names` as they stand in files. Raises
    WorkspaceError."""
    try:
        found: list[dict[str, Any]] = unsealed(space.state / JOURNAL)["people"]
        return found
    except FileNotFoundError:
        return []
    except Damaged as error:
        raise WorkspaceError(
            f"{space.state / JOURNAL} is damaged: it says whom `filmledger forget` had begun to forget. Delete it and give the"
            " command once more."
        ) from error


def begin_forgetting(space: Workspace, people: list[dict[str, Any]]) -> None:
    """Note who is being forgotten, then put them on the list: from here on it is finished, by this command or the next run."""
    space.state.mkdir(exist_ok=True)
    _write(space.state / JOURNAL, {"people": people})
    held = forgotten(space)
    for one in people:
        held.add(one["person"], one["names"])
    keep_forgotten(space, held)


def end_forgetting(space: Workspace) -> None:
    (space.state / JOURNAL).unlink(missing_ok=True)


def _write(target: Path, said: Mapping[str, Any]) -> None:
    with told(f"write {target}"):
        before = os.umask(0o077)
        try:
            write_atomically(target, sealed(json.loads(json.dumps(said))))
        finally:
            os.umask(before)
