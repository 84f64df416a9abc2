"""METAR and TAF texts made at random, in the order and form of WMO-No. 306, FM 15 and FM 51."""

from __future__ import annotations

from hypothesis import strategies as st

WEATHER = (
    "-SN", "SN", "+SN", "-FZRA", "FZRA", "+FZRA", "-FZDZ", "FZFG", "FZUP", "UP", "-SHSN", "SHRASN", "-RASN", "SG", "PL", "IC", "GS", "BLSN", "DRSN", "VCSH",
    "VCTS", "TSRA", "-DZ", "BR", "FG", "MIFG", "BCFG", "HZ", "FU",
)  # fmt: skip


def _numbers(low: int, high: int, form: str) -> st.SearchStrategy[str]:
    return st.integers(low, high).map(form.format)


def _degrees(value: int | None) -> str:
    if value is None:
        return "//"
    return f"M{-value:02d}" if value < 0 else f"{value:02d}"


DIRECTIONS = st.integers(1, 36).map(lambda tens: f"{tens * 10:03d}") | st.just("VRB")
SPEEDS = st.integers(1, 55)
UNITS = st.sampled_from(["KT", "KT", "MPS"])
WINDS = (
    st.just("00000KT")
    | st.builds("{}{:02d}{}".format, DIRECTIONS, SPEEDS, UNITS)
    | st.builds("{}{:02d}G{:02d}{}".format, DIRECTIONS, SPEEDS, st.integers(56, 90), UNITS)
)
VISIBILITIES = _numbers(1, 99, "{:02d}00") | st.sampled_from(["9999", "0000", "M0100", "P6000", "0050"])
WEATHERS = st.lists(st.sampled_from(WEATHER), max_size=3, unique=True).map(" ".join)
LAYERS = st.builds(
    "{}{:03d}{}".format, st.sampled_from(["FEW", "SCT", "BKN", "OVC"]), st.integers(0, 250), st.sampled_from(["", "", "CB", "TCU"])
)  # fmt: skip
CLOUDS = st.lists(LAYERS, min_size=1, max_size=4).map(" ".join) | _numbers(0, 20, "VV{:03d}") | st.just("NSC")


@st.composite
def _temperatures(draw: st.DrawFn) -> tuple[str, str]:
    """The group, and the remark with tenths or nothing. A whole zero is M00, for XML cannot say 00."""
    temp = draw(st.integers(-300, 300))
    dew = draw(st.integers(-400, temp))
    if draw(st.booleans()) and (temp % 10 or dew % 10):
        tenths = "".join(f"{int(each < 0)}{abs(each):03d}" for each in (temp, dew))
        return f"{_rounded(temp)}/{_rounded(dew)}", f" RMK T{tenths}"
    whole = [_degrees(each // 10) if each // 10 else "M00" for each in (temp, dew)]
    return "/".join(draw(st.sampled_from([whole, whole, [whole[0], "//"], ["//", whole[1]], ["//", "//"]]))), ""


def _rounded(tenths: int) -> str:
    degrees = (tenths + 5) // 10
    return "M00" if degrees == 0 and tenths < 0 else _degrees(degrees)


@st.composite
def metars(draw: st.DrawFn) -> str:
    """A METAR or SPECI of 2026-01-12, 0550Z."""
    kind = draw(st.sampled_from(["METAR", "SPECI"])) + draw(st.sampled_from(["", "", " COR"]))
    auto = draw(st.sampled_from(["", " AUTO"]))
    clouds = CLOUDS | st.sampled_from(["NCD", "//////", "SCT///", "///012"])
    weather = draw(WEATHERS | st.just("//") if auto else WEATHERS)
    seen = [draw(VISIBILITIES | st.just("////")), weather, draw(clouds)]
    degrees, tenths = draw(_temperatures())
    pressure = draw(_numbers(940, 1060, "Q{:04d}") | st.just("Q////"))
    recent = draw(st.sampled_from(["", "", "RERA", "RETS RESN"]))
    sky = "CAVOK" if draw(st.integers(0, 5)) == 0 else " ".join(filter(None, seen))
    wind = draw(WINDS | st.just("/////KT"))
    return " ".join(f"{kind} XNOR 120550Z{auto} {wind} {sky} {degrees} {pressure} {recent}{tenths}".split())


@st.composite
def tafs(draw: st.DrawFn) -> str:
    """A TAF of 2026-01-12, 0500Z, valid from 06 to 06."""
    kind = draw(st.sampled_from(["TAF", "TAF AMD", "TAF COR"]))
    head = f"{kind} XNOR 120500Z"
    end = draw(st.integers(0, 12))
    if end < 2:
        return f"{head} NIL" if end else f"{head} 1206/1306 CNL"
    base = f"{draw(WINDS)} {draw(_sky(WEATHERS))}"
    changes = draw(st.lists(_change(), max_size=4))
    temps = draw(st.sampled_from(["", "TX03/1213Z TNM08/1304Z", "TNM00/1306Z"]))
    return " ".join(f"{head} 1206/1306 {base} {temps} {' '.join(changes)}".split())


def _sky(weathers: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.just("CAVOK") | st.builds("{} {} {}".format, VISIBILITIES, weathers, CLOUDS)


@st.composite
def _change(draw: st.DrawFn) -> str:
    word = draw(st.sampled_from(["BECMG", "TEMPO", "PROB30", "PROB40", "PROB30 TEMPO", "PROB40 TEMPO", "FM"]))
    begins = draw(st.integers(6, 23))
    if word == "FM":
        return f"FM12{begins:02d}{draw(st.sampled_from(['00', '30']))} {draw(WINDS)} {draw(_sky(WEATHERS))}"
    hours = f"12{begins:02d}/{draw(st.sampled_from([f'12{begins + 1:02d}', '1303', '1306']))}"
    weather = WEATHERS.filter(bool) | st.just("NSW")
    parts = [draw(part | st.just("")) for part in (WINDS, VISIBILITIES, weather, CLOUDS)]
    return f"{word} {hours} {' '.join(filter(None, parts)) or draw(weather)}"
