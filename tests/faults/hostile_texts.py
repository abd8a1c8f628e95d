"""Settings and layouts that nobody means: answered with a sentence or used, at once and in little memory."""

# ruff: noqa: E501
from __future__ import annotations

_NESTED = {
    "lists in lists": b"a = " + b"[" * 20_000, "tables in tables": b"a = " + b"{x=" * 20_000, "dotted": b"a" + b".a" * 20_000 + b" = 1",
    "dotted section": b"[a" + b".a" * 20_000 + b"]", "digits": b"a = " + b"9" * 20_000, "fraction": b"a = 0." + b"9" * 20_000, "exponent": b"a = 1e" + b"9" * 20_000,
    "sections in sections": b"[" * 20_000 + b"]" * 20_000, "quotes": b'"' * 20_000, "long text": b"a = '''" + b"x" * 1_100_000, "escapes": b'a = "' + b"\\u0000" * 9000 + b'"',
    "half a sign": b'a = "\\ud800"', "nul": b"a = 1\0", "latin-1": b'a = "\xe4"', "utf-16": "a = 1".encode("utf-16"), "mark": b"\xef\xbb\xbfa = 1", "empty": b"", "blank": b" \n\t\r\n",
    "100,000 keys": b"".join(b"k%d = 1\n" % n for n in range(60_000)), "100,000 sections": b"".join(b"[s%d]\n" % n for n in range(60_000)), "same section": b"[cup]\n" * 50_000,
    "comment lines": b"# x\n" * 200_000, "dates": b"a = 9999-12-31T23:59:60Z", "no date": b"a = 2025-02-30", "inf": b"a = inf\nb = -nan", "octal": b"a = 0o777777777777777777777777",
    "crs": b"a = 1\rb = 2\r", "arrays of tables": b"[[a]]\n" * 50_000, "no toml": b"<html>", "binary": bytes(range(256)), "unclosed": b'a = """', "key is a text": b'"" = 1\n"\\n" = 2',
}  # fmt: skip
SETTINGS: dict[str, bytes] = dict(_NESTED)
for _line in (
    "[cup]\nflush_loss_g = 1e308", "[cup]\nflush_loss_g = -1", "[cup]\nflush_loss_g = nan", "[cup]\nflush_loss_g = inf", "[cup]\nflush_loss_g = true",
    "[cup]\nflush_loss_g = '5'", "[cup]\nflush_loss_g = []", "[cup]\nflush_loss_g = 2025-01-01", "[cup]\nflush_loss_g = {}", "cup = 1", "cup = []", "[[cup]]\nx = 1",
    "[engine]\nthreads = 99999999999999999999", "[engine]\nthreads = -1", "[engine]\nthreads = 0", "[engine]\nthreads = 1.5", "[engine]\nmemory_gb = 1e-9",
    "[engine]\nengine = 'x'", "[engine]\nspark_master = '" + "x" * 90_000 + "'", "[engine]\nengine = ''", "[intake]\nmax_file_mb = 0", "[intake]\nmax_file_mb = 1e300",
    "[intake]\ntime_zone = '../../etc/passwd'", "[intake]\ntime_zone = 'Mars/Base'", "[intake]\ntime_zone = '" + "x/" * 5000 + "'", "[business]\ntime_zone = '/etc/localtime'",
    "[business]\ntime_zone = 'a\\u0000b'", "[business]\nname = '" + "x" * 90_000 + "'", "[business]\nname = '\\u001b[31m'", "[pages]\npeople = 'everybody'",
    "[pages]\nprivate = 'yes'", "[pages]\nprivate = 2", "[cup.flush_loss_g]\nx = 1", "[film]\ninner_face_ratio = 1e-200", "[film]\ngauge_check_days = 999999999999",
):  # fmt: skip
    SETTINGS[_line[:60]] = _line.encode()

_FILE = '[file]\n{}\n[[tables]]\ntable = "shops"\n[tables.columns]\nshop_id = {}\n'
LAYOUTS: dict[str, bytes] = {
    name: text for name, text in _NESTED.items() if name not in ("latin-1", "utf-16", "binary")
}
for _said in (
    'match_name = "' + "*a" * 3000 + '"', 'match_name = "' + "[" * 5000 + '"', 'match_name = ""', 'match_name = "../x"', "match_name = 1", 'delimiter = ""',
    'delimiter = "ab"', 'delimiter = "\\n"', 'delimiter = "\\u0000"', "delimiter = '\"'", 'delimiter = "\u00e4"', 'delimiter = "\\r"', 'encoding = "zlib"', 'encoding = "rot13"', 'encoding = ""',
    'encoding = "' + "x" * 90_000 + '"', 'encoding = "utf-8\\u0000"', 'encoding = "../x"', "header_line = 0", "header_line = -1", "header_line = 99999999999999999999",
    "header_line = 1.5", 'header_line = "x"', 'decimal = "x"', 'decimal = ""', 'decimal = "."\nthousands = "."', 'thousands = "1"', "century = 0", "century = 99999",
    "century = 1999", 'sheet = ""', 'sheet = "' + "[" * 5000 + '"', 'months = []', 'months = ["' + '", "'.join("x" * 20 for _ in range(5000)) + '"]', 'mode = "x"',
    'block = { pattern = "(?P<cup>(a+)+)$" }', 'block = { pattern = "(?P<' + "x" * 5000 + '>a)" }', 'block = { pattern = "(" }', 'block = { pattern = "x{99999}" }',
    'skip = [{ column = "a", pattern = "(a+)+$" }]', 'skip = [{ column = "a", pattern = "' + "(" * 3000 + '" }]', 'skip = [{ column = "a", pattern = "a{1000}{1000}" }]',
    'skip = [{ column = "*", filled = false }]', 'skip = [{ column = "a", pattern = "\\\\p{Greek}{500}{500}" }]', 'skip = [{ column = "a", pattern = "(?=a)b" }]',
    'skip = [{ column = "a", pattern = "(?i)' + "[\u00e4-\uffff]" * 300 + '" }]', 'exported_at = { name_pattern = "(.*)*z", format = "%Y" }', 'exported_at = { name_pattern = "(a|a)*b", format = "%Y-%m-%d" }',
    'exported_at = { name_pattern = "x", format = "%" }', 'exported_at = { column = "a", format = "' + "%Y" * 5000 + '" }', 'exported_at = { column = "a", format = "%Q%!" }',
    'time_zone = "../../etc/passwd"', 'time_zone = "Mars"', 'time_zone = "\\u0000"', 'repeat_above = ["' + '", "'.join(f"c{n}" for n in range(5000)) + '"]',
    'note = { file = "../../x", on = "a" }', 'note = { file = "*", on = "a", columns = ["a"] }',
):  # fmt: skip
    LAYOUTS[_said[:70]] = _FILE.format(_said, '"S"').encode()
for _made in (
    '{ column = "S", pattern = "(a+)+$" }', '{ column = "S", pattern = "" }', '{ column = "S", pattern = "(?P<a>x)(?P=a)" }', '{ column = "S", pattern = "' + "(a?)" * 2000 + '" }',
    '{ column = "S", values = { ' + ", ".join(f"a{n} = 'x'" for n in range(9000)) + " } }", '{ column = "' + "x" * 60_000 + '" }', '{ column = "" }', "{ constant = 1 }", '{ constant = "" }',
    '{ constant = "a\\u0000b" }', '{ columns = [] , format = "%Y" }', '{ columns = ["' + '", "'.join(f"c{n}" for n in range(9000)) + '"], format = "%Y" }', '{ number_within = [] }',
    '{ number_within = ["' + "x" * 5000 + '"] }', '{ column = "S", unit = "furlong" }', '{ column = "S", unit = "' + "g/" * 9000 + '" }', '{ column = "S", prefix = "' + "x" * 60_000 + '" }', "[]", "1", "true", "{ }",
    "{ column = { column = { column = 'x' } } }", '"' + "S" * 70_000 + '"', '{ column = "S", otherwise = "x" }', '{ column = "S", format = ["' + '", "'.join("%Y" for _ in range(3000)) + '"] }',
):  # fmt: skip
    LAYOUTS[f"shop_id = {_made[:60]}"] = _FILE.format("", _made).encode()
