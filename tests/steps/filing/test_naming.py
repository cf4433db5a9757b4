"""Names: as the design says, checked beforehand, never two things on one path."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import SettingsError
from ingest.records.names import token
from ingest.steps.filing.naming import TOKENS, TREES, Convention, Named

TIDE = Convention.parse(show="TIDE")
DAY = "2026-04-01"


def test_the_default_tree() -> None:
    a = Named(id="aa11", shots=("TL_0270",), setup="27A", day=DAY, probe="p1503")
    b = Named(id="bb22", setup="27B", day=DAY, probe="p1610")
    c = Named(id="cc33", day=DAY, probe="p1700")
    d = Named(id="dd44", kind="plate", shots=("TL_0270",), setup="27A", day=DAY)
    places = TIDE.places([a, b, c, d])
    assert places["aa11"].folder == "shots/TL_0270/27A/probes/p1503"
    assert places["aa11"].stem == "TIDE_TL_0270_27A_p1503_v001"
    assert places["bb22"].folder == f"shots/tbd/{DAY}_27B/probes/p1610"
    assert places["cc33"].folder == f"unfiled/{DAY}/p1700"
    assert places["dd44"].folder == "shots/TL_0270/27A/plates"


def test_two_days_two_units_one_name() -> None:
    items = [
        Named(id=i, shots=("S1",), setup="27", day=d, unit=u, probe="p")
        for i, d, u in (("a", DAY, ""), ("b", "2026-04-02", ""), ("c", "2026-04-02", "2"))
    ]
    folders = [TIDE.places(items)[i].folder for i in "abc"]
    assert folders == [
        f"shots/S1/27_{DAY}/probes/p",
        "shots/S1/27_2026-04-02_main/probes/p",
        "shots/S1/27_2026-04-02_2/probes/p",
    ]
    assert TIDE.places(items[:1])["a"].folder == "shots/S1/27/probes/p"


def test_a_setup_of_several_shots_is_linked() -> None:
    place = TIDE.places([Named(id="a", shots=("A010", "A020"), setup="27", day=DAY, probe="p")])["a"]
    assert place.folder == "shots/A010/27/probes/p" and place.also == ("shots/A020/27/probes/p",)


def test_the_societys_open_tree() -> None:
    # Folder names: VES On-Set VFX Data Collection and Usage Guide 1.0.0 (2026), directory structure.
    tree = Convention.parse(show="TIDE", tree="open-tree")
    a = Named(id="a", shots=("A010",), setup="27", day=DAY, probe="p")
    places = tree.places(
        [
            a,
            Named(id="b", kind="plate", shots=("A010",), setup="27", day=DAY),
            Named(id="c", setup="28", day=DAY, probe="q"),
        ]
    )
    assert places["a"].folder == "shoot/hdris/A010/27/p"
    assert places["b"].folder == "shots/A010/elements/plates/27"
    assert places["c"].folder == f"shoot/shots_to_be_sorted/hdris/tbd/{DAY}_28/q"


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("{show}_{stup}_{probe}_v{version:03d}", "nearest is {setup}"),
        ("{show}_{probe", "unpaired brace"),
        ("{show}_{setup}_v{version:03d}", "needs {probe}"),
        ("{show}_{probe}", "needs {version}"),
        ("{probe:03d}_{version}", "does not fit"),
        ("{show}/{probe}_{version}", "not safe"),
        ("{show} {probe}_{version}", "not safe"),
        ("{probe.__class__}_{version}", "is no token"),
        ("{}_{probe}_{version}", "is no token"),
        ("{probe!r}_{version}", "not safe"),
        ("{probe:>200}_{version}", "not safe"),
        ("{probe}_{version:0300d}", "at most"),
    ],
)
def test_mistakes_are_told_when_the_settings_are_read(pattern: str, words: str) -> None:
    with pytest.raises(SettingsError) as told:
        Convention.parse(show="TIDE", pattern=pattern)
    assert words in str(told.value)


def test_all_mistakes_at_once() -> None:
    with pytest.raises(SettingsError) as told:
        Convention.parse(show="no code!", tree="forest", pattern="{shw}")
    assert len(told.value.problems) >= 4


def test_the_show_is_named_once_where_the_shot_begins_with_it() -> None:
    def named(id: str, shot: str) -> Named:
        return Named(id=id, shots=(shot,), setup="27A", day=DAY, probe="p")

    weir = Convention.parse(show="WEIR")
    a = named("a", "WEIR_020")
    place = weir.places([a])["a"]
    assert (place.folder, place.stem) == ("shots/WEIR_020/27A/probes/p", "WEIR_020_27A_p_v001")
    # a shot that is really called 020, and words that stand for no shot, keep the long name apart
    both = weir.places([a, named("b", "020"), named("c", "WEIR_tbd"), named("d", "WEIRD_020"), named("e", "weir-030")])
    assert [both[i].stem.split("_27A")[0] for i in "abcde"] == [
        "WEIR_WEIR_020", "WEIR_020", "WEIR_WEIR_tbd", "WEIR_WEIRD_020", "WEIR_030",
    ]  # fmt: skip
    twins = weir.places([a, named("b", "WEIR-020")])
    assert len({p.stem for p in twins.values()}) == 2
    apart = Convention.parse(show="WEIR", pattern="{show}_{day}_{shot}_{probe}_v{version:03d}")
    assert apart.places([a])["a"].stem == f"WEIR_{DAY}_WEIR_020_p_v001"


_WORD = st.one_of(
    st.text(max_size=8),
    st.sampled_from(
        [
            "27",
            "27a",
            "27A",
            "27 A",
            "27-A",
            "tbd",
            "TBD",
            "unfiled",
            "con",
            "..",
            "27_2026-04-01",
            "ä",
            "a" * 90,
            "2026-04-01_27",
            "TIDE_27",
            "tide-27",
            "TIDE_tbd",
            "?",
            "??",
        ]
    ),
)
_DAY = st.sampled_from([DAY, "2026-04-02", ""])
_ITEM = st.builds(
    Named,
    id=st.uuids().map(lambda u: u.hex),
    kind=st.sampled_from(sorted(TREES["setup-tree"])),
    shots=st.lists(_WORD.filter(bool), max_size=3, unique=True).map(tuple),
    setup=_WORD,
    day=_DAY,
    unit=st.sampled_from(["", "2", "Main", "main"]),
    probe=_WORD,
    version=st.integers(1, 3),
    time=st.sampled_from(["", "1503"]),
)


def test_names_of_another_script_share_no_folder() -> None:
    """Only Latin letters are safe everywhere; what they leave of two shots may be the same."""
    harbour, sea = "\u6e2f_010", "\u6d77_010"
    made = Convention.parse(show="TIDE").places([
        Named(id=n, shots=(shot,), setup="27A", day=DAY) for n, shot in (("a", harbour), ("b", sea))
    ])
    shots = [made[n].folder.split("/")[1] for n in "ab"]
    assert len(set(shots)) == 2 and all(s.isascii() and s.startswith("010-") for s in shots)


@settings(max_examples=120, deadline=None)
@given(
    st.lists(_ITEM, max_size=14, unique_by=lambda i: i.id),
    st.sampled_from(sorted(TREES)),
    st.sampled_from(["", "{id}_{version}", "{probe}{version}", "{setup}-{probe}-{camera}-{version:04d}"]),
    st.randoms(),
)
def test_never_two_on_one_path(items: list[Named], tree: str, pattern: str, mix: object) -> None:
    convention = Convention.parse(show="TIDE", tree=tree, pattern=pattern)
    places = convention.places(items)
    paths = [f"{folder}/{p.stem}".casefold() for p in places.values() for folder in (p.folder, *p.also)]
    assert len(set(paths)) == len(paths)
    folders = {f.casefold() for p in places.values() for f in (p.folder, *p.also)}
    assert not folders & set(paths)  # no file where another needs a folder
    for path in paths:
        assert len(path) < 240
        for part in path.split("/"):
            assert token(part, longest=255).casefold() == part, part  # safe by the same rule on every system
    shuffled = list(items)
    mix.shuffle(shuffled)  # type: ignore[attr-defined]
    assert convention.places(shuffled) == places


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        _ITEM.filter(lambda i: i.kind == "probe" and bool(i.setup)), min_size=2, max_size=8, unique_by=lambda i: i.id
    )
)
def test_two_setups_never_share_a_folder(items: list[Named]) -> None:
    places = TIDE.places(items)
    owners: dict[str, tuple[str, ...]] = {}
    for item in items:
        shots = item.shots or ("",)
        for shot, folder in zip(shots, (places[item.id].folder, *places[item.id].also), strict=False):
            base = folder.rpartition("/probes/")[0].casefold()
            key = (shot, item.setup, item.day, item.unit)
            assert owners.setdefault(base, key) == key


def test_every_token_is_explained() -> None:
    assert all(meaning for _, meaning in TOKENS.values())
    assert all(a != b for a, b in pairwise(sorted(TOKENS)))
