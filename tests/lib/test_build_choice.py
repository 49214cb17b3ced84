"""What a job says of builds and printers: read, refused in one sentence, written back the same."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from seamwright.build_choice import (
    AS_USUAL,
    GAP,
    TIPPING,
    BuildChoice,
    Group,
    OtherPrinter,
    build_choice,
    builds_table,
    groups_table,
)
from seamwright.errors import BadInput
from seamwright.job import job_from_toml, job_to_toml
from seamwright.printer import BUILT_IN, MATERIALS, PrinterProfile, printer
from seamwright.printer_tables import other_printers, printer_of, printer_table

HEAD = 'seamwright = 1\nname = "A"\n'
SEAM = '[[seam]]\nname = "belt"\npoint = [0, 0, 1]\nnormal = [0, 0, 1]\n'
FULL = """[printer]
profile = "filament-180"
brim = 4
[builds]
gap = 8
count = 2
match = ["belt"]
tipping = 15
[[group]]
name = "gold"
pieces = [3, 4]
[[group]]
name = "grey"
pieces = [1]
[[other_printer]]
profile = "filament-300"
count = 3
[[other_printer]]
name = "the round one"
shape = "round"
build_volume = [200, 200, 400]
excluded = [[90, 0, 110, 10]]
material = "PETG"
"""


def read(text: str) -> BuildChoice:
    return job_from_toml(HEAD + SEAM + text, "figure.toml").builds


# --- read ---------------------------------------------------------------------------------------


def test_all_that_can_be_said() -> None:
    choice = read(FULL)
    assert (choice.gap, choice.count, choice.match, choice.tipping) == (8.0, 2, ("belt",), 15.0)
    assert choice.groups == (Group("gold", (3, 4)), Group("grey", (1,)))
    assert [choice.group_of(n) for n in (1, 2, 3, 4)] == ["grey", "", "gold", "gold"]
    large, disc = choice.printers
    assert large == OtherPrinter(printer("filament-300"), 3)
    assert disc.count == 1
    assert (disc.profile.name, disc.profile.shape) == ("the round one", "round")
    assert disc.profile.excluded == ((90.0, 0.0, 110.0, 10.0),)
    assert disc.profile.material == "PETG"


def test_nothing_said_is_as_usual() -> None:
    assert read("") == AS_USUAL == BuildChoice()
    assert (AS_USUAL.gap, AS_USUAL.count, AS_USUAL.tipping) == (GAP, 1, TIPPING)
    written = job_to_toml(job_from_toml(HEAD + SEAM))
    assert not any(word in written for word in ("builds", "group", "other_printer"))


def test_only_what_differs_is_written() -> None:
    assert builds_table(AS_USUAL) == {}
    assert builds_table(BuildChoice(gap=2.0)) == {"gap": 2.0}
    assert groups_table(BuildChoice(groups=(Group("a", (1, 2)),))) == [
        {"name": "a", "pieces": [1, 2]}
    ]
    assert printer_table(printer("resin-218")) == {"profile": "resin-218"}
    assert printer_table(printer("filament-180", brim=3.0)) == {
        "profile": "filament-180", "brim": 3.0,
    }  # fmt: skip


# --- there and back -----------------------------------------------------------------------------

TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=12).filter(
    lambda text: bool(text.strip())
)
LENGTH = st.floats(60.0, 900.0)


@st.composite
def profiles(draw: st.DrawFn) -> PrinterProfile:
    """A built-in profile with any of its values changed."""
    base = BUILT_IN[draw(st.sampled_from(sorted(BUILT_IN)))]
    amounts = {
        "margin": (0.0, 8.0), "brim": (0.0, 5.0), "lift": (0.0, 9.0), "nozzle": (0.02, 1.2),
        "layer_height": (0.02, 0.8), "clearance": (0.0, 0.6), "infill": (0.0, 1.0),
        "support_density": (0.0, 1.0), "usage": (0.5, 2.0), "price": (0.0, 90.0),
        "safety": (1.0, 9.0),
    }  # fmt: skip
    changes: dict[str, object] = {
        key: draw(st.floats(*ends)) for key, ends in amounts.items() if draw(st.booleans())
    }
    if draw(st.booleans()):
        changes["name"] = draw(TEXT)
    if draw(st.booleans()):
        changes["material"] = draw(st.sampled_from(sorted(MATERIALS)))
    if draw(st.booleans()):
        across = draw(LENGTH)
        changes |= {"shape": "round", "build_volume": (across, across, draw(LENGTH))}
    elif draw(st.booleans()):
        changes["build_volume"] = (draw(LENGTH), draw(LENGTH), draw(LENGTH))
    if draw(st.booleans()):
        changes["excluded"] = ((0.0, 0.0, draw(st.floats(1.0, 9.0)), draw(st.floats(1.0, 9.0))),)
    return replace(base, **changes)


@st.composite
def choices(draw: st.DrawFn) -> tuple[PrinterProfile, BuildChoice]:
    """A job's own printer, and a choice that it can have."""
    every = draw(st.lists(profiles(), min_size=1, max_size=3, unique_by=lambda p: p.name))
    pieces = draw(st.lists(st.integers(1, 40), max_size=6, unique=True))
    names = draw(st.lists(TEXT, min_size=3, max_size=3, unique=True))
    groups = tuple(Group(name, tuple(pieces[k::3])) for k, name in enumerate(names) if pieces[k::3])
    others = tuple(OtherPrinter(p, draw(st.integers(1, 9))) for p in every[1:])
    choice = BuildChoice(
        draw(st.floats(0.0, 50.0)), draw(st.integers(1, 5)),
        ("belt",) if draw(st.booleans()) else (), draw(st.floats(0.1, 45.0)), groups, others,
    )  # fmt: skip
    return every[0], choice


@settings(max_examples=60, deadline=None)
@given(choices())
def test_every_choice_comes_back_as_it_was(made: tuple[PrinterProfile, BuildChoice]) -> None:
    own, choice = made
    job = replace(job_from_toml(HEAD + SEAM), printer=own, builds=choice)
    text = job_to_toml(job)
    again = job_from_toml(text)
    assert again == job
    assert job_to_toml(again) == text


@settings(max_examples=60, deadline=None)
@given(profiles())
def test_every_profile_comes_back_as_it_was(profile: PrinterProfile) -> None:
    table = printer_table(profile)
    assert printer_of(table, "here") == profile
    assert set(table) <= {"profile", *(f.name for f in fields(PrinterProfile))}
    assert tomli_w.dumps({"printer": table})


# --- refused ------------------------------------------------------------------------------------

OTHER = "[[other_printer]]\nprofile = 'filament-300'\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("builds = 3\n", "must be a table, [builds]"),
        ("[builds]\ngpa = 3", "did you mean 'gap'?"),
        ("[builds]\ngap = -1", "gap is -1; it must be 0 mm or more"),
        ("[builds]\ngap = nan", "'gap' must be a number"),
        ("[builds]\ngap = '5'", "'gap' must be a number"),
        ("[builds]\ncount = 0", "count is 0; there must be one printer or more"),
        ("[builds]\ncount = 1.5", "'count' must be a whole number"),
        ("[builds]\ncount = true", "'count' must be a whole number"),
        ("[builds]\ntipping = 0", "tipping is 0"),
        ("[builds]\ntipping = 46", "at most 45 degrees"),
        ("[builds]\nmatch = 'belt'", "match must be a list of seam names"),
        ("[builds]\nmatch = [1]", "match must be a list of seam names"),
        ("[builds]\nmatch = ['hem']", "there is no seam 'hem' to match"),
        ("[group]\nname = 'a'", "write each group as a table of its own, [[group]]"),
        ("[[group]]\npieces = [1]", "'name' must be a text"),
        ("[[group]]\nname = ' '\npieces = [1]", "'name' must be a text"),
        ("[[group]]\nname = 'a'", "pieces must be a list of piece numbers"),
        ("[[group]]\nname = 'a'\npieces = []", "pieces must be a list of piece numbers"),
        ("[[group]]\nname = 'a'\npieces = [1.5]", "pieces must be a list of piece numbers"),
        ("[[group]]\nname = 'a'\npieces = [true]", "pieces must be a list of piece numbers"),
        ("[[group]]\nname = 'a'\npeices = [1]", "did you mean 'pieces'?"),
        ("[[group]]\nname = 'a'\npieces = [1, 2]\n[[group]]\nname = 'b'\npieces = [2]",
         "piece 2 is in the groups 'a' and 'b'"),
        ("[[group]]\nname = 'a'\npieces = [1, 1]", "piece 1 is in group 'a' twice"),
        ("[[group]]\nname = 'a'\npieces = [1]\n[[group]]\nname = 'a'\npieces = [2]",
         "two groups are named 'a'"),
        ("other_printer = 3\n", "[[other_printer]]"),
        (OTHER + "count = 0", "count is 0; there must be one printer or more"),
        (OTHER + "count = '2'", "'count' must be a whole number"),
        (OTHER + "infill = 1.4", "infill is 1.4; it is a share from 0 to 1, so 15 % is 0.15"),
        (OTHER + "infil = 0.4", "did you mean 'infill'?"),
        (OTHER + "name = ''", "'name' must be a text"),
        (OTHER + OTHER, "two printers are named 'filament-300'"),
        ("[[other_printer]]\nprofile = 'filament-256'", "two printers are named 'filament-256'"),
        ("[[other_printer]]\n", "two printers are named 'filament-256'"),
        ("[[other_printer]]\nprofile = 'filament-900'", "'filament-900' is unknown"),
        ("[[other_printer]]\nprofile = 3", "profile must be a name in quotes"),
        ("[printer]\ncount = 2", "key 'count' is unknown"),
        ("[printer]\ninfill = 1.4", "infill is 1.4"),
    ],
)  # fmt: skip
def test_refusals_are_one_sentence(text: str, says: str) -> None:
    # A key without a table comes before all tables.
    whole = HEAD + text + SEAM if text.endswith("= 3\n") else HEAD + SEAM + text
    with pytest.raises(BadInput) as caught:
        job_from_toml(whole, "figure.toml")
    message = str(caught.value)
    assert says in message
    assert message.startswith("figure.toml") and message.count("figure.toml") == 1
    assert "\n" not in message and message[-1] in ".?" and ". " not in message


def test_a_choice_made_in_code_is_refused_alike() -> None:
    for bad in ({"gap": math.nan}, {"tipping": math.nan}, {"count": 0}):
        with pytest.raises(BadInput):
            BuildChoice(**bad)
    with pytest.raises(BadInput, match="two printers are named 'filament-256'"):
        other_printers({"other_printer": [{"profile": "filament-256"}]}, PrinterProfile(), "job")
    assert build_choice({}, (), (), "job") == AS_USUAL
