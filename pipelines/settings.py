"""The settings of a workspace: every number the method lets a shop choose, with its default, unit and meaning.

Here belong the pydantic models of filmledger.toml, the reading of that file with errors that name the key, and the
writing of the commented file that `filmledger init` leaves behind. Not here: what a setting does (the module that
uses it), and facts of law or nature (seed_data/reference).

Every key name is unique over all sections, so that SQL can take any of them as a `$name` parameter (`Settings.flat`).
"""

from __future__ import annotations

import difflib
import re
import textwrap
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipelines import toml_texts

FILE_NAME = "filmledger.toml"
# Of filmledger.toml; raised when an older program would misread it. A file that says none is of the time before.
FORM = 1

Fraction = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
Days = Annotated[int, Field(ge=1, le=36_500)]
Role = Literal[
    "wash_primer", "adhesion_promoter", "epoxy", "sprayable_filler", "surfacer", "sealer", "base", "mid_coat", "clear",
    "single_stage", "specialty",
]  # fmt: skip
PRIMERS = ("wash_primer", "adhesion_promoter", "epoxy", "sprayable_filler", "surfacer", "sealer")


Places = dict[toml_texts.Path, int]


class SettingsError(Exception):
    """filmledger.toml cannot be used as it stands. The text names file, line, key and what to write instead."""


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, validate_default=True)


def setting(default: Any, unit: str, description: str) -> Any:
    """One key: its default, its unit ("" for none, "1" for a pure ratio) and one or two sentences for the shop."""
    return Field(default=default, description=description, json_schema_extra={"unit": unit})


class Business(Section):
    """Where the shops are. A row of registers/shops.csv wins over these."""

    jurisdiction: str = setting("us", "", "Which limits a shop answers to, where registers/shops.csv does not say.")
    time_zone: str = setting(
        "",
        "",
        "IANA name such as Europe/Vienna. Times are kept as the shop's own local time; a time that carries an "
        "offset is converted to this zone. Empty: only shops with a zone of their own may send such times.",
    )
    currency: str = setting("", "", "The word or sign printed beside money. Amounts are never converted.")
    data_licence: Literal["", "CC0-1.0"] = setting(
        "",
        "",
        "Under which licence the spreadsheets may be passed on, said in datapackage.json. Empty: nothing is said.",
    )

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, name: str) -> str:
        if name and not toml_texts.is_zone(name):
            raise ValueError(f"time_zone: {name!r} is not an IANA time zone; write a name such as Europe/Vienna")
        return name


class Intake(Section):
    """Reading the exports."""

    max_file_mb: Positive = setting(
        4000.0, "MB", "A file larger than this, once unpacked, is refused by name instead of read."
    )
    linked_folders: bool = setting(
        False, "", "Whether inbox/, layouts/ and registers/ may be links to folders outside of the workspace."
    )
    share_refused_warning: Fraction = setting(
        0.05, "1", "The run's check on refused rows warns when more than this share of all rows was refused."
    )


class Cup(Section):
    """What was poured, and what left the gun."""

    water_density_g_per_ml: Annotated[float, Field(ge=0.9, le=1.1, allow_inf_nan=False)] = setting(
        0.9982, "g/mL", "Density of water at 20 C."
    )
    flush_loss_g: NotNegative = setting(
        5.0, "g", "What stays in cup and gun at a change of cup, where registers/guns.csv gives no flush_loss_g."
    )
    flush_loss_sd_g: NotNegative = setting(3.0, "g", "Standard deviation of that default.")
    flush_loss_rel_sd: NotNegative = setting(
        0.4,
        "1",
        "How far a flush may lie from the gun's flush_loss_g in registers/guns.csv: relative standard deviation.",
    )
    solids_rel_u: Fraction = setting(
        0.02,
        "1",
        "Relative standard uncertainty of a product's solids content: what is in the can beside what the sheet says.",
    )
    density_rel_u: Fraction = setting(
        0.02, "1", "Relative standard uncertainty of a product's densities, wet over dry film."
    )
    scale_rel_u: Fraction = setting(
        0.002, "1", "Relative standard uncertainty of a weighed mass, where no scale checks say otherwise."
    )
    volume_rel_u: Fraction = setting(
        0.04, "1", "Relative standard uncertainty of a mass found from a volume, or of a product bought ready to spray."
    )
    kept_unseen_days: Days = setting(
        90,
        "days",
        "A leftover marked as kept that nothing has shown for this long after its last weigh-back counts as gone.",
    )


class Film(Section):
    """Film readings and areas."""

    scuff_removed_um: NotNegative = setting(
        4.0, "um", "Film taken off by scuffing or polishing, where removed_um is not given (common practice)."
    )
    scuff_removed_sd_um: NotNegative = setting(3.0, "um", "Standard deviation of that default.")
    gauge_check_days: Days = setting(30, "days", "A reading uses the checks of its gauge made within this many days.")
    gauge_check_span_um: Positive = setting(
        30.0, "um", "A gauge's gain is fitted only when its checks span shims at least this far apart."
    )
    gauge_gain_u: Fraction = setting(
        0.03, "1", "Relative standard uncertainty of a gauge's gain where no usable checks exist."
    )
    area_rel_sd: Fraction = setting(
        0.05, "1", "Relative standard deviation of a panel's area, where the table of areas gives none."
    )
    area_shared_sd: Fraction = setting(
        0.05, "1", "How far the table of areas as a whole may lie from the truth: one error, shared by every record."
    )
    within_face_cv: Annotated[float, Field(ge=0.001, le=5, allow_inf_nan=False)] = setting(
        0.13, "1", "Relative spread of film between places on a face, where no readings tell it (common practice)."
    )
    inner_face_ratio: Annotated[float, Field(ge=0.001, le=100, allow_inf_nan=False)] = setting(
        0.6, "1", "Film on unread inner faces and jambs, as a part of the film on the panel's outer face."
    )
    inner_face_ratio_sd: NotNegative = setting(0.2, "1", "Standard deviation of that part.")


class Transfer(Section):
    """Transfer efficiency by gun and technician."""

    material_effect: Annotated[float, Field(gt=-1, lt=0, allow_inf_nan=False)] = setting(
        -0.05, "1", "A gun or technician is flagged only for being lower than typical by more than this."
    )
    false_flag_share: Annotated[float, Field(gt=0, lt=1)] = setting(
        0.05, "1", "Of those flagged, the expected share that is flagged wrongly."
    )


class Money(Section):
    """Rates for what the ledger turns into money."""

    labour_rate_per_hour: NotNegative = setting(
        0.0, "currency/h", "What an hour of redone work costs. 0: rework is shown in material only."
    )


class Guide(Section):
    """How much to mix. Where prices and [money] labour_rate_per_hour are known, the level at which running short and what is left
    over cost least together is advised; elsewhere that of mix_quantile."""

    second_cup_minutes: NotNegative = setting(
        15.0,
        "min",
        "What a second cup takes of the painter's time when the first runs short (common practice, no published source).",
    )

    mix_quantile: dict[Role, Annotated[float, Field(gt=0, lt=1)]] = setting(
        {role: 0.90 if role in PRIMERS else 0.98 for role in get_args(Role)},
        "1",
        "By role: how often the advised amount is meant to be enough. Roles left out keep their default.",
    )

    @model_validator(mode="before")
    @classmethod
    def _fill_roles(cls, given: Any) -> Any:
        """Roles a shop leaves out keep their default."""
        if isinstance(given, dict) and isinstance(given.get("mix_quantile"), dict):
            default = cls.model_fields["mix_quantile"].default
            return given | {"mix_quantile": default | given["mix_quantile"]}
        return given


class Practice(Section):
    """From which size on something seen is worth a practice card."""

    over_build_material: NotNegative = setting(
        0.05, "1", "Film: a technician's mean film lies above the data sheet's greatest by more than this."
    )
    tilt_material: NotNegative = setting(
        0.10,
        "1",
        "Tilt: upper edge less lower edge, over the mean film, is more than this either way; thin edges likewise.",
    )
    leftover_material: NotNegative = setting(
        0.05, "1", "Leftovers: more than this part of a cup stays in it above what is usual for the same work."
    )


class Engine(Section):
    """Where a run does its work. The same files give the same tables on either engine."""

    engine: Literal["duckdb", "spark"] = setting(
        "duckdb", "", "duckdb: this machine. spark: an Apache Spark cluster that shares this folder (see README.md)."
    )
    memory_gb: Annotated[float, Field(ge=0.05, le=1e5, allow_inf_nan=False)] = setting(
        2.0, "GB", "How much memory the tables of a run may take on this machine; what does not fit waits on disk."
    )
    threads: Annotated[int, Field(ge=0, le=4096)] = setting(
        0, "", "On how many cores this machine works on its tables. 0: on all of them."
    )
    earlier_results: Annotated[int, Field(ge=1, le=10_000)] = setting(
        1, "", "How many earlier sets of results stay in .filmledger/snapshots beside the one in force."
    )
    spark_master: str = setting(
        "", "", "The cluster's address, such as spark://host:7077. Empty: what Spark's own configuration says."
    )


class Pages(Section):
    """How the pages speak."""

    units: Literal["metric", "us"] = setting("metric", "", "Units a page opens with; the reader may switch.")
    people: Literal["label", "id", "pseudonyms", "hidden"] = setting(
        "id",
        "",
        "How technicians appear in all that is published: by their id, by their label, by a pseudonym that stays the same, "
        "or not at all. Tell the people first.",
    )
    keep_people_for: Annotated[int, Field(ge=0, le=1200)] = setting(
        0,
        "months",
        "Who has had no record for so long before the latest one is forgotten: called by a pseudonym from then on, as "
        "`filmledger forget` does it; inbox/ and registers/ stay as they are. 0: nobody.",
    )
    private: bool = setting(
        False, "", "Nobody else on this machine may read results, hand-outs and what is kept of them (0700, 0600)."
    )

    @property
    def veiled(self) -> bool:
        """Whether the names that the register knows stay out of all that is published and said."""
        return self.people in ("hidden", "pseudonyms")


class Settings(Section):
    """All settings of a workspace."""

    business: Business = Business()
    intake: Intake = Intake()
    cup: Cup = Cup()
    film: Film = Film()
    transfer: Transfer = Transfer()
    money: Money = Money()
    guide: Guide = Guide()
    practice: Practice = Practice()
    engine: Engine = Engine()
    pages: Pages = Pages()

    @model_validator(mode="before")
    @classmethod
    def _renamed(cls, given: Any) -> Any:
        """A file written when one figure stood for all that records share: that figure was the table of areas' before all."""
        if isinstance(given, dict) and isinstance(given.get("transfer"), dict) and "shared_rel_u" in given["transfer"]:
            transfer = dict(given["transfer"])
            film = {"area_shared_sd": transfer.pop("shared_rel_u")} | dict(given.get("film", {}))
            return given | {"transfer": transfer, "film": film}
        return given

    def flat(self) -> dict[str, Any]:
        """Every key with its value, sections left out: what SQL gets as `$name` parameters."""
        return {key: value for section in self.model_dump().values() for key, value in section.items()}


def sections() -> dict[str, type[Section]]:
    """Section name -> its model, in the order of the file."""
    found: dict[str, type[Section]] = {}
    for name, field in Settings.model_fields.items():
        assert isinstance(field.annotation, type) and issubclass(field.annotation, Section)
        found[name] = field.annotation
    return found


def unit_of(section: type[Section], key: str) -> str:
    """The unit of a key, "" where it has none."""
    extra = section.model_fields[key].json_schema_extra
    return str(extra["unit"]) if isinstance(extra, dict) else ""


# --- reading ----------------------------------------------------------------------------------------------------------


def load(path: Path) -> Settings:
    """Read filmledger.toml. A file that is not there means the defaults.

    Raises SettingsError naming the file and, for every key at fault, its line and what to write instead.
    """
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise SettingsError(f"{path}: it is not a regular file; put one in its place.")
        raw = path.read_bytes()
    except FileNotFoundError:
        return Settings()
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}).") from error
    return parse(raw, str(path))


def parse(raw: bytes, name: str = FILE_NAME) -> Settings:
    """Settings from the bytes of a filmledger.toml; `name` is how messages call the file. Raises SettingsError."""
    if len(raw) > toml_texts.MOST_SIGNS:
        raise SettingsError(
            f"{name}: {len(raw):,} bytes are no settings; `filmledger init` writes a file to begin with."
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise SettingsError(f"{name}, line {line}: not UTF-8 text; save the file as UTF-8.") from error
    try:
        document = toml_texts.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: not valid TOML: {error}.") from error
    except toml_texts.Unlikely as error:
        raise SettingsError(f"{name}: no settings look like this (nested or too long).") from error
    form = document.pop("settings_form", 0)
    if type(form) is not int or form < 0:
        raise SettingsError(f"{name}: settings_form: {form!r} is no number of a form; this program writes {FORM}.")
    if form > FORM:
        raise SettingsError(
            f"{name} was written for a later version of the program (settings_form {form}, this one knows {FORM}). Run that"
            " version; nothing was replaced."
        )
    try:
        return Settings.model_validate(document)
    except ValidationError as error:
        problems = error.errors(include_url=False)
        lines = toml_texts.places(text)
        told = [_explain(problem, lines, name) for problem in problems[: toml_texts.MOST_TOLD]]
        if len(problems) > len(told):
            told.append(f"{name}: {len(problems) - len(told):,} more mistakes.")
        raise SettingsError("\n".join(told)) from error


def migrated(raw: bytes) -> list[str]:
    """What is to be said of settings that parse and were written by an earlier version: how they are read now."""
    document = tomllib.loads(raw.decode("utf-8-sig"))
    if "shared_rel_u" in document.get("transfer", {}):
        return [
            f"{FILE_NAME} is of an earlier version: [transfer] shared_rel_u is read as [film] area_shared_sd; write it so."
        ]
    return []


def _explain(problem: Any, lines: Places, name: str) -> str:
    """One pydantic error as a sentence: file, line, key, what was found, what to do."""
    loc = [str(part) for part in problem["loc"] if part != "[key]"]
    section = loc[0] if loc else ""
    key = loc[1] if len(loc) > 1 else ""
    if problem["type"] == "extra_forbidden":
        return _unknown(section, key, lines, name)
    where = _where(lines, name, section, key)
    dotted = f"[{section}] {'.'.join(loc[1:])}".strip() if section else ""
    if problem["type"] in ("model_type", "model_attributes_type"):
        return f"{where}{section} is a section; write it as [{section}] with keys below it."
    if problem["type"] == "value_error":
        return f"{where}[{section}] {problem['ctx']['error']}."
    if problem["type"] == "literal_error" and "[key]" in problem["loc"]:
        return f"{where}[{section}] {key}: {loc[-1]!r} is not a role{_nearest(loc[-1], _choices(problem))}"
    message = str(problem["msg"])
    return f"{where}{dotted}: {problem['input']!r} cannot be used. {message[:1].upper()}{message[1:]}."


def _choices(problem: Any) -> list[str]:
    return re.findall(r"'([^']+)'", str(problem["ctx"]["expected"]))


def _unknown(section: str, key: str, lines: Places, name: str) -> str:
    """A key or section nobody reads, with the nearest one that is read."""
    where, known = _where(lines, name, section, key), sections()
    homes = {own: at for at, model in known.items() for own in model.model_fields}
    if not key:  # a top-level name: a section misspelt, or a key without its section
        if section in homes:
            return f"{where}{section} belongs into the section [{homes[section]}]; move it below that line."
        return f"{where}[{section}] is not a known section{_nearest(section, list(known) + list(homes))}"
    if key in homes:
        return f"{where}{key} belongs into the section [{homes[key]}], not [{section}]."
    return f"{where}[{section}] {key} is not a known key{_nearest(key, list(known[section].model_fields), list(homes))}"


def _nearest(word: str, *pools: list[str]) -> str:
    for pool in pools:
        close = difflib.get_close_matches(word, pool, n=1, cutoff=0.5)
        if close:
            return f"; did you mean {close[0]}?"
    return f"; known here: {', '.join(pools[0])}."


def _where(lines: Places, name: str, section: str, key: str) -> str:
    """The file and, where it can be told, the line on which a section or key stands."""
    asked = (section, key) if key else (section,)
    line = min((n for path, n in lines.items() if path[: len(asked)] == asked), default=lines.get((section,)))
    return f"{name}, line {line}: " if line else f"{name}: "


# --- writing ----------------------------------------------------------------------------------------------------------


def template(**chosen: Any) -> str:
    """The filmledger.toml that `init` writes: every key explained, every default there as a comment to uncomment; keys that
    are `chosen` stand there with their value."""
    out = [
        "# Settings of this workspace. Each line that starts with '# key = value' shows a default:",
        "# take the '# ' away and change the value to choose your own. Delete the file and the defaults apply.",
        "",
        f"settings_form = {FORM}",
        "",
    ]
    for name, model in sections().items():
        out += ["", f"[{name}]", *_comment(model.__doc__ or "")]
        for key, field in model.model_fields.items():
            unit = unit_of(model, key)
            shown = f" In {unit}." if unit not in ("", "1") else (" A ratio: 0.05 is 5 %." if unit == "1" else "")
            out += ["", *_comment(f"{field.description}{shown}{_allowed(field)}")]
            out += (
                _toml_value(key, chosen[key])
                if key in chosen
                else [f"# {line}" for line in _toml_value(key, field.default)]
            )
    return "\n".join(out) + "\n"


def _allowed(field: Any) -> str:
    choices = getattr(field.annotation, "__args__", ())
    if choices and all(isinstance(choice, str) for choice in choices):
        return f" One of: {', '.join(choices)}."
    return ""


def _comment(text: str) -> list[str]:
    return textwrap.wrap(" ".join(text.split()), width=100, initial_indent="#   ", subsequent_indent="#   ")


def _toml_value(key: str, value: Any) -> list[str]:
    if isinstance(value, dict):
        return [f"{key}.{inner} = {given}" for inner, given in value.items()]
    if isinstance(value, bool):
        return [f"{key} = {str(value).lower()}"]
    if isinstance(value, str):
        return [f'{key} = "{value}"']
    return [f"{key} = {value}"]
