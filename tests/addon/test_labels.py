"""Labels and tooltips: listed for review, explained, with units, and one word for one thing."""

from __future__ import annotations

import re
import sys
from collections import defaultdict
from pathlib import Path

import pytest

bpy = pytest.importorskip("bpy")

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

import list_labels  # noqa: E402

UNITS = {
    "mm": "in mm",
    "°": "in degrees",
    "g/cm³": "in g/cm³",
    "MPa": "in MPa",
    "share": "Share of",
    "times": "times",
}
"""What stands in brackets after the label of a number, and what its tooltip says."""

SMALL = {"a", "an", "and", "as", "at", "by", "for", "from", "in", "into", "its", "of", "off", "on",
         "or", "to", "with"}  # fmt: skip
"""Words that Blender's labels have in small letters, unless they come first or last."""

NOT_OURS = re.compile(
    r"\b(models?|(a|each|this) part|the parts(?! list)|chunks?|slic\w+|splits?|splitting"
    r"|connectors?|plugs?|tolerances?|beds?|plates?|trays?|percent|tenons?|dowels?|cut planes?"
    r"|cutting planes?|upper|lower|orientations?|kits?)\b",
    re.IGNORECASE,
)
"""What the glossary calls by another word."""

SAME = {
    "Name": "the name of what the property's owner is",
    "Index": "a line of a list",
    "Axis": "an axis of the scene",
    "From": "what a new thing is made from",
    "Directory": "where a folder is written",
    "Folder": "the name of a folder to write",
    "Replace": "whether an earlier folder is replaced",
    "File": "a job file",
    "Clearance (mm)": "the gap per side between peg and socket",
    "Diameter (mm)": "of a bought rod",
    "Radius (mm)": "of the round thing that the property's owner is",
    "Direction": "the way that pegs slide",
    "Figure": "the figure that something belongs to",
    "Seam": "a seam",
    "Joint": "the joint of a seam",
    "Stops At": "the seams at which a seam ends",
    "Nudge": "which seams",
    "Printers": "how many of one kind print at once",
}
"""Labels of several properties, and the one thing that they are in all of them."""


@pytest.fixture
def labels(registered):
    return list_labels.found(registered.CLASSES)


def shown_texts(labels):
    """All that is shown, with what it is of."""
    for part in (*labels.panels, *labels.others):
        for text in (part.label, *part.says):
            yield part.identifier, text
    for operator in labels.operators:
        yield operator.idname, operator.label
        yield operator.idname, operator.tooltip
    for prop in labels.properties:
        which = f"{prop.owner}.{prop.key}"
        yield which, prop.label
        yield which, prop.tooltip
        for _key, label, tooltip in prop.choices:
            yield which, label
            yield which, tooltip


def labels_of(labels):
    """All that is a label, with what it is of."""
    for part in (*labels.panels, *labels.others):
        yield part.identifier, part.label
    for operator in labels.operators:
        yield operator.idname, operator.label
    for prop in labels.properties:
        yield f"{prop.owner}.{prop.key}", prop.label
        for _key, label, _tooltip in prop.choices:
            yield f"{prop.owner}.{prop.key}", label


def tooltips_of(labels):
    """All that is a tooltip, with what it is of."""
    for operator in labels.operators:
        yield operator.idname, operator.tooltip
    for prop in labels.properties:
        yield f"{prop.owner}.{prop.key}", prop.tooltip
        for key, _label, tooltip in prop.choices:
            yield f"{prop.owner}.{prop.key}: {key}", tooltip


def test_the_list_is_up_to_date(labels):
    current = list_labels.TARGET.read_text(encoding="utf-8")
    # Not by ==, whose difference would fill the screen.
    is_current = current == list_labels.text_of(labels)
    assert is_current, f"docs/labels.md is out of date; run: {list_labels.COMMAND}"


def test_all_there_is_is_listed(labels, registered):
    kinds = {"_OT_": len(labels.operators), "_PT_": len(labels.panels)}
    for kind, count in kinds.items():
        assert count == sum(kind in cls.__name__ for cls in registered.CLASSES) > 10
    assert len(list(labels.properties)) > 100
    text = list_labels.text_of(labels)
    for said in ("Add at Cursor", "Gap per side between peg and socket, in mm", "Make Pieces"):
        assert said in text


def test_everything_is_explained(labels):
    bare = [which for which, tooltip in tooltips_of(labels) if not tooltip]
    assert bare == []


def test_every_number_says_its_unit_or_that_it_has_none(labels):
    numbers = [prop for prop in labels.properties if prop.kind == "FLOAT"]
    assert len(numbers) > 30
    for prop in numbers:
        which = (prop.owner, prop.key)
        unit = re.search(r" \((.+)\)$", prop.label)
        if unit is None:
            assert "no unit" in prop.tooltip, which
        else:
            assert unit[1] in UNITS, which
            assert UNITS[unit[1]] in prop.tooltip, which
    for prop in labels.properties:
        if prop.kind == "INT":
            # A count, or a place in a list: what would need a unit is no whole number.
            assert not re.search(r"\b(mm|degrees|MPa|grams|seconds|minutes)\b", prop.tooltip), prop


def test_labels_are_in_title_case(labels):
    for which, label in labels_of(labels):
        if re.fullmatch(r"[a-z]+-\d+|\d+ × \d+ mm|", label):
            continue  # a printer profile's own name, the size of a magnet, a list
        words = re.sub(r" \(.+\)$", "", label).replace("-", " ").split()
        for place, word in enumerate(words):
            inside = 0 < place < len(words) - 1
            if inside and word.lower() in SMALL:
                # Side A is no article.
                assert word.islower() or word == "A", (which, label)
            else:
                assert not word[0].islower(), (which, label)
        assert not label.endswith((".", ":")), (which, label)


def test_tooltips_are_sentences_without_a_full_stop(labels):
    for which, tooltip in tooltips_of(labels):
        assert tooltip[0].isupper() or tooltip[0].isdigit(), (which, tooltip)
        assert not tooltip.endswith((".", " ", ",", ";")), (which, tooltip)
        assert "  " not in tooltip and "\n" not in tooltip and '"' not in tooltip, which
        assert len(tooltip) < 200, which


def test_our_words_are_the_glossarys(labels):
    for which, text in shown_texts(labels):
        found = NOT_OURS.search(text)
        assert found is None, (which, text)


def test_no_label_is_of_two_things(labels):
    buttons = [operator.label for operator in labels.operators]
    assert len(buttons) == len(set(buttons))
    panels = [part.label for part in labels.panels]
    assert len(panels) == len(set(panels))
    keys = defaultdict(set)
    for prop in labels.properties:
        keys[prop.label].add((prop.key, prop.tooltip))
    twice = {label for label, found in keys.items() if len(found) > 1}
    assert twice <= set(SAME), "one label for several properties"
    assert set(SAME) <= set(keys), "no longer there: take it out of SAME"


def test_one_property_has_one_label(labels):
    """The same value is called the same where it is given and where it is kept."""
    found = defaultdict(set)
    for prop in labels.properties:
        if prop.key in ("clearance", "diameter", "radius", "crease", "reach", "joint", "profile"):
            found[prop.key].add(prop.label)
    assert all(len(said) == 1 or key == "profile" for key, said in found.items()), dict(found)
