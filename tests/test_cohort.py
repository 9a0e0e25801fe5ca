"""Many people's hands: shapes, spreads, sizes, and whom they serve. All people are invented."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import helpers_calibration  # noqa: F401
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import procrustes
from scipy.spatial.transform import Rotation

from handcapture import cohort as module
from handcapture.cli import main
from handcapture.cohort import AgainstOwn, Hands, OnPanel, Person, against_own, gather, laid_onto, size_rest, study
from handcapture.cohort_document import find_rests
from handcapture.errors import InputError
from handcapture.layout.document import read_layout
from handcapture.layout.plan import load_panel, load_plan
from handcapture.rest import Rest
from handcapture.rest_document import write_rest

import cohort as bench  # isort: skip

FloatArray = NDArray[np.float64]
SAMPLES = Path(__file__).resolve().parents[1] / "samples"


def flat(places: FloatArray) -> NDArray[np.complex128]:
    return np.asarray(places[..., 0] + 1j * places[..., 1])


def moved(rest: Rest, turn: float, shift: tuple[float, float]) -> Rest:
    """The same hands, lying elsewhere on the mat."""
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return replace(
        rest,
        fingertips=tuple(
            replace(
                tip,
                contact_mm=matrix @ tip.contact_mm + shift,
                covariance_mm2=matrix @ tip.covariance_mm2 @ matrix.T,
                reach=matrix @ tip.reach,
            )
            for tip in rest.fingertips
        ),
    )


def folder_of(path: Path, count: int) -> Path:
    folder = path / "rests"
    folder.mkdir()
    for name, rest in bench.people(count):
        write_rest(folder / f"{name}.json", rest)
    return folder


# Shapes


def test_turns_are_those_of_scipy() -> None:
    """scipy.spatial.transform.Rotation.align_vectors (Kabsch), in the plane z = 0."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        one, other = (points - points.mean(axis=0) for points in rng.normal(size=(2, 5, 2)) * 30)
        turn = complex(module._turns(flat(one), flat(other)))
        with_z = [np.pad(points, ((0, 0), (0, 1))) for points in (one, other)]
        found, rssd = Rotation.align_vectors(with_z[1], with_z[0])
        off = np.abs(flat(one) * turn - flat(other))
        # In space a half turn about an axis in the plane would mirror the hand: then the plane's own turn is worse.
        assert off @ off >= rssd**2 - 1e-9
        if found.as_matrix()[2, 2] > 0:
            assert np.angle(turn) == pytest.approx(
                np.arctan2(found.as_matrix()[1, 0], found.as_matrix()[0, 0]), abs=1e-9
            )
            assert off @ off == pytest.approx(rssd**2, rel=1e-9)


def test_a_mirrored_hand_is_another_hand() -> None:
    """The trap: scipy.spatial.procrustes mirrors and scales, and finds no difference."""
    hand = bench.SHAPE_MM - bench.SHAPE_MM.mean(axis=0)
    mirrored = hand * (-1.0, 1.0)
    assert procrustes(hand, mirrored)[2] == pytest.approx(0.0, abs=1e-12)
    cost = module._costs([flat(hand)[None]], [flat(mirrored)[None]])[0, 0]
    assert cost > 1000
    assert module._costs([flat(hand)[None]], [flat(2 * hand)[None]])[0, 0] == pytest.approx((hand**2).sum())


def test_costs_are_what_remains_after_the_turn() -> None:
    rng = np.random.default_rng(5)
    people, sizes = (flat(rng.normal(size=(count, 5, 2)) * 30) for count in (7, 3))
    people, sizes = (z - z.mean(axis=1, keepdims=True) for z in (people, sizes))
    costs = module._costs([people], [sizes])
    for n, k in itertools.product(range(7), range(3)):
        off = people[n] * module._turns(people[n], sizes[k]) - sizes[k]
        assert costs[n, k] == pytest.approx((np.abs(off) ** 2).sum(), rel=1e-9)


def test_the_mean_is_the_figure_with_the_least_squares() -> None:
    """No small change of the mean makes the sum smaller, and that of turned copies is the copy."""
    rng = np.random.default_rng(6)
    hand = flat(bench.SHAPE_MM - bench.SHAPE_MM.mean(axis=0))
    copies = hand * np.exp(1j * rng.uniform(-3, 3, 6))[:, None]
    mean = module._mean(copies)
    np.testing.assert_allclose(np.abs(mean[:, None] - mean), np.abs(hand[:, None] - hand), atol=1e-6)
    noisy = copies + flat(rng.normal(size=(6, 5, 2)) * 4)
    noisy -= noisy.mean(axis=1, keepdims=True)
    mean = module._mean(noisy)
    least = module._costs([noisy], [mean[None]]).sum()
    for _ in range(50):
        other = mean + flat(rng.normal(size=(5, 2))) * 0.1
        assert module._costs([noisy], [(other - other.mean())[None]]).sum() >= least - 1e-9


# Clusters


@pytest.mark.parametrize("seed", range(4))
def test_clusters_of_few_people_are_the_best_there_are(seed: int) -> None:
    """Against every way to part eight people into two groups (brute force)."""
    people, _ = gather(bench.people(8, seed + 10))
    figures = module._figures(people, "each")

    def cost(groups: list[list[int]]) -> float:
        return sum(
            float(module._costs([z[g]], [module._mean(z[g])[None]]).sum()) for g in groups for z in figures
        )  # fmt: skip

    best = min(
        cost([[0, *group], [k for k in range(1, 8) if k not in group]])
        for size in range(7)
        for group in itertools.combinations(range(1, 8), size)
    )
    found = module._cluster(figures, 2, 40)
    assert cost([group.tolist() for group in found]) == pytest.approx(best, rel=1e-9)


def test_planted_sizes_are_found() -> None:
    rng = np.random.default_rng(1)
    lengths = [165.0] * 5 + [190.0] * 4 + [215.0] * 6
    rests = [(f"{length:.0f} {k}", bench.person(rng, k, length)) for k, length in enumerate(lengths)]
    people, _ = gather(rests)
    tight = [replace(person, contacts_mm=_scaled(length, rng)) for person, length in zip(people, lengths, strict=True)]
    found = study(tight, most_sizes=4)
    assert [size.people for size in found.sets[2].sizes] == [tuple(range(5)), tuple(range(5, 9)), tuple(range(9, 15))]
    assert found.sets[2].served.value == 1.0
    assert found.sets[2].served_when_left_out is not None
    assert found.sets[2].served_when_left_out.value == 1.0
    assert found.sets[0].served.value < 1.0


def _scaled(length: float, rng: np.random.Generator) -> FloatArray:
    """Both hands of one length, lying anywhere, a millimetre off."""
    hands = []
    for sign in (1.0, -1.0):
        turn = np.exp(1j * rng.uniform(-0.5, 0.5))
        hand = (
            flat(bench.SHAPE_MM * (sign, 1.0) * length / 190.0) * turn
            + 200
            + 150j
            + flat(rng.normal(size=(5, 2)) * 0.3)
        )
        hands.append(hand)
    both = np.concatenate(hands)
    return np.stack([both.real, both.imag], axis=1)


@settings(max_examples=15)
@given(st.lists(st.tuples(st.floats(-3, 3), st.floats(-100, 100), st.floats(-100, 100)), min_size=9, max_size=9))
def test_where_hands_lay_and_in_which_order_changes_nothing(moves: list[tuple[float, float, float]]) -> None:
    rests = bench.people(9, 4)
    one = study(*gather(rests, "together"), "together", most_sizes=3)
    elsewhere = [(name, moved(rest, turn, (x, y))) for (name, rest), (turn, x, y) in zip(rests, moves, strict=True)]
    other = study(*gather(elsewhere[::-1], "together"), "together", most_sizes=3)
    for a, b in zip(one.sets, other.sets, strict=True):
        assert [{one.people[k].name for k in s.people} for s in a.sizes] == [
            {other.people[k].name for k in s.people} for s in b.sizes
        ]
        assert [s.worst_mm for s in a.services] == pytest.approx([s.worst_mm for s in b.services][::-1], abs=1e-5)
        assert a.served_when_left_out is not None
        assert b.served_when_left_out is not None


def test_people_left_out_foretell_new_people() -> None:
    """Sizes of one cohort meet another one: left-out coverage is near it, that of the makers is above."""
    found = study(*gather(bench.people(60, 21)), most_sizes=3)
    fresh, _ = gather(bench.people(300, 22))
    for entry in found.sets:
        truth = bench.served(entry.sizes, fresh, found)
        assert entry.served_when_left_out is not None
        assert entry.served_when_left_out.value <= entry.served.value + 1e-9
        assert entry.served_when_left_out.low - 0.05 <= truth <= entry.served_when_left_out.high + 0.05


# Spreads


def test_percentiles_are_numpys_and_their_intervals_binomial() -> None:
    """Order statistics hold the median with the probability that the binomial distribution gives (Conover 1999)."""
    from scipy.stats import binom

    values = np.random.default_rng(8).normal(100, 10, 25)
    spread = module._spread("x", "mm", values)
    assert [p.value for p in spread.percentiles] == pytest.approx(np.percentile(values, [5, 25, 50, 75, 95]).tolist())
    median = spread.percentiles[2]
    assert median.low is not None
    assert median.high is not None
    low, high = (int(np.searchsorted(np.sort(values), bound)) for bound in (median.low, median.high))
    assert binom.cdf(high - 1, 25, 0.5) - binom.cdf(low, 25, 0.5) >= 0.92
    # Of 25 people nobody knows where the 5th percentile ends below.
    assert spread.percentiles[0].low is None
    assert spread.percentiles[0].high is not None


def test_spans_grow_with_hand_length() -> None:
    """Hand lengths as ANSUR II has them (5th percentile of women 165 mm, 95th of men 210 mm)."""
    rng = np.random.default_rng(2)
    medians = []
    for length in (165.0, 187.0, 210.0):
        people, _ = gather([(str(k), bench.person(rng, k, length)) for k in range(20)])
        spans = {spread.name: spread for spread in study(people, most_sizes=1).spans}
        medians.append(spans["left thumb to little"].percentiles[2].value)
    assert medians == sorted(medians)
    assert medians[2] / medians[0] == pytest.approx(210 / 165, rel=0.06)


def test_hands_on_one_line_are_not_turned() -> None:
    rest = bench.people(1)[0][1]
    places = np.array([np.add(bench.SHAPE_MM, (100, 150)), bench.SHAPE_MM * (-1, 1) + (300, 150)]).reshape(10, 2)
    level = replace(
        rest,
        fingertips=tuple(
            replace(t, contact_mm=p) for t, p in zip(sorted(rest.fingertips, key=_number), places, strict=True)
        ),
    )
    flat_hands = level.fingertips
    index, little = flat_hands[1].contact_mm, flat_hands[4].contact_mm
    slope = np.degrees(np.arctan2(index[1] - little[1], index[0] - little[0]))
    people, _ = gather([("a", level), ("b", replace(moved(level, 0.4, (5, 5)), placements=()))])
    turn = next(s for s in study(people, most_sizes=1).spans if s.name == "turn between the hands")
    assert turn.percentiles[2].value == pytest.approx(-2 * slope, abs=1e-6)


def _number(tip: object) -> int:
    return module._KEYS.index((tip.side, tip.finger))  # type: ignore[attr-defined]


# Service


def test_who_is_near_the_line_is_told_so() -> None:
    people, left_out = gather(bench.people(20, 3))
    found = study(people, left_out, within_mm=7.0, most_sizes=1)
    for service in found.sets[0].services:
        size = found.sets[0].sizes[service.size]
        off = np.hypot(*(laid_onto(found, people[service.person], size) - size.contacts_mm).T)
        assert service.worst_mm == pytest.approx(off.max(), abs=1e-9)
        assert (service.side, service.finger) == module._KEYS[int(off.argmax())]
        away = abs(service.worst_mm - found.within_mm)
        assert (service.verdict == "on the line") == (away < 1.645 * service.sd_mm)
    assert {service.verdict for service in found.sets[0].services} == {"served", "on the line", "not served"}


def test_a_single_placement_is_not_surer_than_three() -> None:
    """Where a hand was laid once, nothing is known of how far it wanders: that is part of how surely it is served."""
    (name, rest), *others = bench.people(4, 3)
    once = replace(
        rest,
        fingertips=tuple(
            replace(tip, covariance_mm2=np.eye(2), spread_mm2=9.0 * np.eye(2), placements=1) for tip in rest.fingertips
        ),
    )
    thrice = replace(once, fingertips=tuple(replace(tip, placements=3) for tip in once.fingertips))
    for entry, sd in ((once, 10.0**0.5), (thrice, 1.0)):
        people, left_out = gather([(name, entry), *others])
        (service, *_) = study(people, left_out, most_sizes=1).sets[0].services
        assert service.sd_mm == pytest.approx(sd)
        alone = study(people, left_out, most_sizes=4).sets[3].services[0]
        assert alone.worst_mm < 1e-6
        assert alone.sd_mm == pytest.approx(sd), "also where the size is that person's own hand"


def test_one_hand_may_do() -> None:
    rests = bench.people(6)
    lefts = [(n, replace(r, fingertips=tuple(t for t in r.fingertips if t.side == "left"))) for n, r in rests]
    found = study(*gather(lefts, "left"), "left", most_sizes=2)
    assert len(found.people) == 6
    assert np.isnan(found.sets[0].sizes[0].contacts_mm[5:]).all()
    assert all(service.side == "left" for service in found.sets[1].services)
    with pytest.raises(InputError, match="--hands"):
        gather(lefts, "each")
    with pytest.raises(InputError, match="one hand"):
        size_rest(found, found.sets[0].sizes[0])


def test_who_does_not_count_is_told() -> None:
    rests = bench.people(5)
    name, rest = rests[0]
    blind = replace(
        rest, placements=(), fingertips=tuple(replace(t, hidden=t.finger == "ring") for t in rest.fingertips)
    )
    people, left_out = gather([*rests, ("twin", rest), ("blind", blind)])
    assert [person.name for person in people] == [name for name, _ in rests]
    assert [(out.name, out.reason) for out in left_out] == [
        ("twin", f"it shares a photo with {name}, and would count that person twice"),
        ("blind", "hidden in every photo: left ring, right ring"),
    ]


@pytest.mark.parametrize("hands", ["each", "together"])
def test_panels_of_sizes_against_own(hands: Hands) -> None:
    found = study(*gather(bench.people(6), hands), hands, most_sizes=2)
    plate, origin = load_panel(SAMPLES / "panel.toml")
    plan = load_plan(SAMPLES / "plan.toml")
    layouts, against = against_own(found, found.sets[1], plan, plate, origin)
    assert len(layouts) == 2
    assert [entry.person for entry in against] == list(range(6))
    for entry in against:
        assert entry.own is not None
        assert 0 <= entry.sized.least_landing <= entry.sized.mean_landing <= 1
    own, sized = ([entry.mean_landing for entry in ones if entry] for ones in _both(against))
    assert np.mean(own) > np.mean(sized)


def _both(against: tuple[AgainstOwn, ...]) -> tuple[list[OnPanel | None], list[OnPanel | None]]:
    return [entry.own for entry in against], [entry.sized for entry in against]


def test_a_size_of_equal_people_is_their_own() -> None:
    """Two people with the same hands: the size's panel is what each would get."""
    rest = bench.people(1)[0][1]
    twins = [Person(n, r, *_arrays(r)) for n, r in (("a", rest), ("b", moved(rest, 0.0, (3.0, -4.0))))]
    found = study(twins, most_sizes=1)
    size = size_rest(found, found.sets[0].sizes[0])
    apart = [np.linalg.norm(a.contact_mm - b.contact_mm) for a in size.fingertips for b in size.fingertips]
    own = [np.linalg.norm(a.contact_mm - b.contact_mm) for a in rest.fingertips for b in rest.fingertips]
    assert apart == pytest.approx(own, abs=1e-6)
    np.testing.assert_allclose(size.fingertips[0].spread_mm2, rest.fingertips[0].spread_mm2, atol=1e-6)
    assert found.sets[0].services[0].worst_mm == pytest.approx(0.0, abs=1e-6)


def _arrays(rest: Rest) -> tuple[FloatArray, FloatArray]:
    tips = sorted(rest.fingertips, key=_number)
    return np.array([t.contact_mm for t in tips]), np.array([t.covariance_mm2 for t in tips])


# Command


def test_command_from_a_folder(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, 8)
    out, plot, layouts = tmp_path / "sizes.json", tmp_path / "sizes.png", tmp_path / "layouts"
    plan = ["--plan", str(SAMPLES / "plan.toml"), "--panel", str(SAMPLES / "panel.toml"), "--layouts", str(layouts)]
    command = ["cohort", str(folder), "--sizes", "2", "--output", str(out), "--plot", str(plot), *plan]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.output
    assert "8 people, each hand on its own." in done.output
    assert "nobody's own hand" in done.output
    assert max(len(line) for line in done.output.splitlines()) <= 110
    document = json.loads(out.read_text(encoding="utf-8"))
    assert document["schema"] == "handcapture.cohort/1"
    assert [size["layout"] for size in document["sizes"]] == ["S1.layout.json", "S2.layout.json"]
    assert sorted(name for size in document["sizes"] for name in size["people"]) == sorted(document["people"])
    assert len(document["against_own"]) == 8
    assert {path.name for path in layouts.iterdir()} == {"S1.layout.json", "S2.layout.json"}
    assert read_layout(layouts / "S1.layout.json").name.endswith("S1")
    with Image.open(plot) as picture:
        assert picture.width > 1500
    again = CliRunner().invoke(main, [*command[:6], "--json"])
    assert json.loads(again.output)["coverage"] == document["coverage"]
    for suffix, magic in ((".svg", b"<?xml"), (".pdf", b"%PDF")):
        target = plot.with_suffix(suffix)
        assert CliRunner().invoke(main, ["cohort", str(folder), "--plot", str(target)]).exit_code == 0
        first = target.read_bytes()
        assert first.startswith(magic)
        CliRunner().invoke(main, ["cohort", str(folder), "--plot", str(target)])
        assert target.read_bytes() == first


def test_copies_of_a_photo_are_one_placement(tmp_path: Path) -> None:
    """What is found twice in a person's folder counts once; hidden files of other systems do not count at all."""
    (name, rest), (_, other) = bench.people(2, 3)
    for file in ("one", "copy of one", "._one"):
        (tmp_path / name).mkdir(exist_ok=True)
        write_rest(tmp_path / name / f"{file}.json", rest)
    write_rest(tmp_path / "other.json", other)
    (tmp_path / ".Trashes").mkdir()
    write_rest(tmp_path / ".Trashes" / "old.json", other)
    found = dict(find_rests([tmp_path]))
    assert sorted(found) == sorted([name, "other"])
    assert len(found[name].placements) == len(rest.placements)
    (tmp_path / name / "may").mkdir()
    write_rest(tmp_path / name / "may" / "two.json", other)
    with pytest.raises(InputError, match="who is a person there cannot be told"):
        find_rests([tmp_path])
    (tmp_path / "photos" / "deep").mkdir(parents=True)
    (tmp_path / "photos" / "deep" / "x.jpg").write_bytes(b"")
    with pytest.raises(InputError, match="holds no rests"):
        find_rests([tmp_path / "photos"])


def test_nothing_is_written_among_the_rests(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, 3)
    before = {path: path.read_bytes() for path in folder.iterdir()}
    for option, name in (("--output", "sizes.json"), ("--plot", "p.png")):
        done = CliRunner().invoke(main, ["cohort", str(folder), option, str(folder / name)])
        assert (done.exit_code, "Name a place outside of it" in done.output) == (2, True), done.output
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_who_is_left_out_takes_nobody_along() -> None:
    """A rest with a hidden finger does not count; a better one of its photos does. The same rest twice does not."""
    (name, rest), *others = bench.people(4, 3)
    hidden = replace(rest, fingertips=(replace(rest.fingertips[0], hidden=True), *rest.fingertips[1:]))
    people, left_out = gather([("hidden", hidden), (name, rest), *others])
    assert name in [person.name for person in people]
    assert [out.name for out in left_out] == ["hidden"]
    bare = replace(rest, placements=())
    people, left_out = gather([("one", bare), ("two", bare), *others])
    assert [(out.name, "those of one" in out.reason) for out in left_out] == [("two", True)]


def test_folders_in_a_folder_are_people(tmp_path: Path) -> None:
    folder = tmp_path / "club"
    for name, rest in bench.people(3):
        for number, placement in enumerate(rest.placements):
            (folder / name).mkdir(parents=True, exist_ok=True)
            from handcapture.rest import pool

            write_rest(folder / name / f"{number}.json", pool([placement]))
    found = find_rests([folder])
    assert [name for name, _ in found] == ["P001", "P002", "P003"]
    for (_, pooled), (_, rest) in zip(found, bench.people(3), strict=True):
        for a, b in zip(pooled.fingertips, rest.fingertips, strict=True):
            np.testing.assert_allclose(a.contact_mm, b.contact_mm, atol=1e-3)


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["nowhere.json"], 2, "does not exist"),
        (["empty"], 2, "holds no rests"),
        (["one"], 2, "two are the least"),
        (["rests", "--within", "-3"], 2, "0.5 to 50 mm"),
        (["rests", "--within", "nan"], 2, "is no number"),
        (["rests", "--serve", "nan"], 2, "is no number"),
        (["rests", "--within", "51"], 2, "0.5 to 50 mm"),
        (["rests", "--sizes", "5"], 2, "cannot be parted into 5 sizes"),
        (["rests", "--plan", "p.toml"], 2, "go together"),
        (["rests", "--layouts", "there"], 2, "needs --plan"),
        (["rests", "--plot", "x.gif"], 2, ".png, .svg or .pdf"),
        (["rests", "--output", "no/x.json"], 2, "does not exist"),
    ],
)
def test_bad_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], code: int, said: str) -> None:
    monkeypatch.chdir(tmp_path)
    folder_of(tmp_path, 3)
    (tmp_path / "empty").mkdir()
    (tmp_path / "one").mkdir()
    write_rest(tmp_path / "one" / "a.json", bench.people(1)[0][1])
    done = CliRunner().invoke(main, ["cohort", *arguments])
    assert done.exit_code == code, done.output
    assert said in done.output
    assert "Traceback" not in done.output
