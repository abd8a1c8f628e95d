"""filmledger.toml: the file init writes, and the errors a shop gets when a key is wrong."""

import re

import pytest

from pipelines import settings
from pipelines.settings import Settings, SettingsError, parse, sections, template


def uncommented(text: str) -> str:
    """The template with every commented default switched on (explanations are indented by three spaces)."""
    return re.sub(r"^# (?=[\w.]+ = )", "", text, flags=re.MULTILINE)


def test_the_file_that_init_writes_means_the_defaults():
    assert parse(template().encode()) == Settings()


def test_the_file_that_init_writes_with_every_default_switched_on_means_the_defaults_too():
    switched_on = uncommented(template())
    assert len(re.findall(r"^[\w.]+ = ", switched_on, flags=re.MULTILINE)) > 20
    assert parse(switched_on.encode()) == Settings()


def test_every_key_is_explained_with_a_unit_and_named_once():
    keys = [key for model in sections().values() for key in model.model_fields]
    assert len(keys) == len(set(keys))
    for model in sections().values():
        assert model.__doc__
        for key, field in model.model_fields.items():
            assert field.description, key
            assert "unit" in field.json_schema_extra, key
            for suffix, unit in {"_um": "um", "_g": "g", "_days": "days", "_mb": "MB", "_g_per_ml": "g/mL"}.items():
                if key.endswith(suffix):
                    assert settings.unit_of(model, key) == unit


def test_flat_holds_every_key():
    flat = Settings().flat()
    assert flat["flush_loss_g"] == 5.0
    assert flat["mix_quantile"]["clear"] == 0.98
    assert len(flat) == sum(len(model.model_fields) for model in sections().values())


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[film]\nscuff_removed_mm = 3\n", ["line 2", "scuff_removed_mm", "did you mean scuff_removed_um?"]),
        ("[flim]\n", ["line 1", "[flim]", "did you mean film?"]),
        ("flush_loss_g = 3\n", ["line 1", "flush_loss_g", "[cup]"]),
        ("[cup]\n\ngauge_check_days = 3\n", ["line 3", "gauge_check_days", "[film]"]),
        ("[cup]\nflush_loss_g = 'five'\n", ["line 2", "flush_loss_g", "'five'", "number"]),
        ("[cup]\nflush_loss_g = '5'\n", ["line 2", "flush_loss_g", "number"]),
        ("[cup]\nflush_loss_g = -1\n", ["line 2", "-1", "greater than or equal to 0"]),
        ("[cup]\nflush_loss_g = inf\n", ["line 2", "finite"]),
        ("[business]\ntime_zone = 'Mars'\n", ["line 2", "time_zone", "Europe/Vienna"]),
        ("[guide]\nmix_quantile.clear = 2\n", ["line 2", "mix_quantile.clear", "less than 1"]),
        ("[guide]\nmix_quantile.cleer = 0.2\n", ["line 2", "'cleer'", "did you mean clear?"]),
        ("[pages]\nunits = 'imperial'\n", ["line 2", "units", "'metric' or 'us'"]),
        ("cup = 3\n", ["line 1", "[cup]"]),
        ("x ==\n", ["line 1", "not valid TOML"]),
    ],
)
def test_a_wrong_key_or_value_is_told_with_file_line_key_and_what_to_do(text, told):
    with pytest.raises(SettingsError) as error:
        parse(text.encode())
    for part in ["filmledger.toml", *told]:
        assert part in str(error.value)


def test_every_fault_of_a_file_is_told_at_once():
    with pytest.raises(SettingsError) as error:
        parse(b"[cup]\nflush_loss_g = -1\nflush_loss = 2\n")
    assert len(str(error.value).splitlines()) == 2


def test_bytes_that_are_not_text_are_told_with_their_line():
    with pytest.raises(SettingsError, match=r"line 2: not UTF-8"):
        parse(b"[cup]\n# \xff\n")


def test_a_byte_order_mark_is_allowed():
    assert parse(b"\xef\xbb\xbf[cup]\nflush_loss_g = 4.0\n").cup.flush_loss_g == 4.0


def test_roles_left_out_of_the_quantiles_keep_their_default():
    quantiles = parse(b"[guide]\nmix_quantile.clear = 0.9\n").guide.mix_quantile
    assert quantiles["clear"] == 0.9
    assert quantiles["base"] == 0.98


def test_a_missing_file_means_the_defaults(tmp_path):
    assert settings.load(tmp_path / "filmledger.toml") == Settings()


def test_a_chosen_key_stands_in_the_template_and_the_rest_keeps_its_default():
    chosen = settings.parse(settings.template(currency="USD").encode())
    assert chosen.business.currency == "USD"
    assert chosen.model_copy(update={"business": settings.Business()}) == settings.Settings()


def test_the_old_name_of_what_records_share_is_still_read():
    assert parse(b"[transfer]\nshared_rel_u = 0.08\n").film.area_shared_sd == 0.08


def test_names_stay_out_where_people_are_hidden_or_called_by_pseudonyms() -> None:
    said = {
        people: Settings.model_validate({"pages": {"people": people}}).pages.veiled
        for people in ("id", "label", "pseudonyms", "hidden")
    }
    assert said == {"id": False, "label": False, "pseudonyms": True, "hidden": True}
