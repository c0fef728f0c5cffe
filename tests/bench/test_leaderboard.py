"""The leaderboard, from run files drawn here: no algorithm ran, every number in them is made up."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import rankdata

from sigkit.bench.compare_runs import compare_runs
from sigkit.bench.leaderboard import BEGIN, END, build_leaderboard, interval, seconds, short
from sigkit.errors import SettingsError
from sigkit.score.estimate import Estimate

ENGINES, FIRINGS = 12, 10
ENGINE = np.repeat([f"drawn-{number:02d}" for number in range(ENGINES)], FIRINGS)


def draw_run(
    folder: Path, algorithm: str, share: float, judge_s: float, origin: str = "baseline", *, protocol: str = "drawn",
    seed: int = 1, task: str = "burn_time", **changes,
) -> Path:  # fmt: skip
    """Write a run whose firings are right with chance ``share``; return its JSON."""
    rng = np.random.default_rng(seed)
    close = (rng.random(ENGINE.size) < share).astype(float)
    value = float(close.mean())
    result = {
        "protocol": protocol, "title": f"Drawn {protocol}", "task": task, "protocol_sha256": "a1" * 32,
        "algorithm": algorithm, "group": "locators", "origin": origin, "settings": {},
        "choice": {"tried": [], "chosen": {}, "split": "develop"},
        "data": {"hash": "d4" * 32, "seed": 5, "engines": {"develop": 3, "test": ENGINES}}, "versions": {},
        "sigkit_tree": "f" * 40, "uncommitted_changes": False, "counted": ENGINE.size,
        "time": {"learn_s": 0.0, "judge_s": judge_s, "reference_s": 0.1, "ratio": judge_s / 0.1},
        "metrics": {
            "within 25 µs": {"value": value, "low": value - 0.05, "high": value + 0.05, "unit": "share"},
            "median error": {"value": 7.25, "low": None, "high": None, "unit": "µs"},
        },
        "primary": "within 25 µs", "higher_is_better": True,
        "command": f"sigkit bench run {protocol} --algorithm {algorithm}",
    } | changes  # fmt: skip
    path = folder / f"{protocol}--{algorithm}.json"
    path.write_text(json.dumps(result), encoding="utf-8")
    np.savez_compressed(path.with_suffix(".npz"), engine=ENGINE, outcome_0_close=close)
    return path


@pytest.fixture
def runs(tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    draw_run(folder, "own", 0.95, 2.0, "built-in", seed=1)
    draw_run(folder, "baseline_weak", 0.30, 0.5, seed=2)
    draw_run(folder, "baseline_slow", 0.60, 9.0, seed=3)
    draw_run(folder, "strangers", 0.94, 30.0, "plug-in", seed=4)
    return folder


def test_rank_front_and_differences(runs):
    (board,) = compare_runs(runs)
    share = {row.name: row.primary.value for row in board.rows}
    assert list(share.values()) == sorted(share.values(), reverse=True)
    assert board.ours is not None
    assert board.ours.name == "own"
    # By hand: only the quickest and ours; the two others are beaten in accuracy and time by ours.
    beaten = {name for name in share if share[name] <= share["own"] and name not in ("own", "baseline_weak")}
    assert {row.name for row in board.rows if not row.on_front} == beaten
    for row in board.rows:
        if row.name == "own":
            assert row.difference is None
            continue
        assert row.difference is not None
        assert row.difference.value == pytest.approx(share["own"] - share[row.name])
        assert row.difference.low <= row.difference.value <= row.difference.high
    verdict = {row.name: row.verdict for row in board.rows}
    assert verdict["baseline_weak"] == verdict["baseline_slow"] == "ours ahead"
    assert verdict["strangers"] == "undecided"


def test_p_values_are_corrected_by_holm_against_statsmodels(runs):
    from scipy.stats import permutation_test
    from statsmodels.stats.multitest import multipletests

    (board,) = compare_runs(runs)

    def by_engine(name):
        with np.load(runs / f"drawn--{name}.npz") as stored:
            return stored["outcome_0_close"].reshape(ENGINES, FIRINGS).mean(axis=1)

    own = by_engine("own")
    others = [row for row in board.rows if row.name != "own"]
    # 2^12 sign patterns are fewer than the test's limit: both sides are exact.
    plain = [
        permutation_test(
            (own - by_engine(row.name),), lambda x, axis: x.mean(axis=axis), permutation_type="samples",
            vectorized=True, n_resamples=np.inf,
        ).pvalue
        for row in others
    ]  # fmt: skip
    expected = multipletests(plain, method="holm")[1]
    np.testing.assert_allclose([row.p_value for row in others], expected, rtol=1e-12)
    assert max(expected) > min(expected)


def test_average_ranks_by_engine(runs):
    (board,) = compare_runs(runs)
    names = [row.name for row in board.rows]
    table = []
    for name in names:
        with np.load(runs / f"drawn--{name}.npz") as stored:
            table.append(stored["outcome_0_close"].reshape(ENGINES, FIRINGS).mean(axis=1))
    expected = rankdata(-np.array(table), axis=0).mean(axis=1)
    assert board.ranks is not None
    assert {name: estimate.value for name, estimate in board.ranks.rank.items()} == pytest.approx(
        dict(zip(names, expected, strict=True))
    )
    # Demsar, JMLR 2006;7:1-30, table 5: q 0.05 for four classifiers is 2.569.
    assert board.ranks.critical_difference == pytest.approx(2.569 * np.sqrt(4 * 5 / (6 * ENGINES)), abs=1e-3)


def test_lower_is_better(runs):
    for path in runs.glob("*.json"):
        told = json.loads(path.read_text(encoding="utf-8"))
        path.write_text(json.dumps(told | {"higher_is_better": False}), encoding="utf-8")
    (board,) = compare_runs(runs)
    assert board.rows[0].name == "baseline_weak"
    assert {row.name: row.verdict for row in board.rows}["baseline_weak"] == "ours behind"
    assert board.rows[0].on_front


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"protocol_sha256": "b2" * 32}, "protocol"),
        ({"data": {"hash": "e5" * 32, "seed": 6, "engines": {}}}, "data"),
        ({"primary": "median error"}, "primary metric"),
    ],
)
def test_runs_on_other_terms_are_refused(runs, tmp_path, change, word):
    draw_run(runs, "latecomer", 0.99, 1.0, **change)
    with pytest.raises(SettingsError, match=rf"drawn--.*\.json: its {word} is .*same terms") as caught:
        build_leaderboard(runs, tmp_path / "out")
    assert "sigkit bench run drawn" in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_other_data_in_another_protocol_is_no_clash(runs):
    draw_run(runs, "own", 0.9, 1.0, "built-in", protocol="other", data={"hash": "e5" * 32, "engines": {}})
    assert [board.protocol for board in compare_runs(runs)] == ["drawn", "other"]


def test_notes_say_what_forbids_a_comparison(runs):
    draw_run(runs, "elsewhere", 0.5, 1.0, sigkit_tree="0" * 40, uncommitted_changes=True)
    (runs / "drawn--strangers.npz").unlink()
    (board,) = compare_runs(runs)
    notes = " ".join(board.notes)
    assert "different states of sigkit" in notes
    assert "not committed" in notes
    assert "strangers has no outcomes" in notes
    assert next(row for row in board.rows if row.name == "strangers").difference is None


def test_without_a_run_of_ours_nothing_is_compared(tmp_path):
    draw_run(tmp_path, "baseline_weak", 0.3, 0.5)
    (board,) = compare_runs(tmp_path)
    assert board.ours is None
    assert board.ranks is None
    assert board.rows[0].difference is None
    build_leaderboard(tmp_path, tmp_path / "out")
    assert "baseline_weak" in (tmp_path / "out" / "leaderboard.md").read_text(encoding="utf-8")


def test_a_failed_run_ranks_last_and_is_not_on_the_front(runs):
    metrics = {"within 25 µs": {"value": float("nan"), "low": None, "high": None, "unit": "share"}}
    draw_run(runs, "broken", 0.5, 1e-3, metrics=metrics)
    (board,) = compare_runs(runs)
    assert board.rows[-1].name == "broken"
    assert not board.rows[-1].on_front


@pytest.mark.parametrize(
    ("text", "word"),
    [("{", "cannot be read as JSON"), ("[1]", "is no result of a run"), ("{}", "'protocol' is missing")],
)
def test_a_file_that_is_no_run_is_named(tmp_path, text, word):
    (tmp_path / "drawn--x.json").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=rf"drawn--x\.json: .*{word}.*run it again"):
        compare_runs(tmp_path)


@pytest.mark.parametrize(
    ("changes", "word"),
    [({"primary": "F2"}, "'primary' is 'F2'"), ({"data": {}}, "'data.hash' is missing"),
     ({"time": {"judge_s": None}}, "'time.judge_s' is missing")],
)  # fmt: skip
def test_a_run_that_lacks_something_is_named(tmp_path, changes, word):
    draw_run(tmp_path, "own", 0.9, 1.0, **changes)
    with pytest.raises(SettingsError, match=word):
        compare_runs(tmp_path)


def test_an_empty_folder_says_what_to_do(tmp_path):
    with pytest.raises(SettingsError, match="run sigkit bench run first"):
        compare_runs(tmp_path)


def test_choices_written_down_are_no_results(runs):
    (runs / "drawn--own.choice.json").write_text("{}", encoding="utf-8")
    assert len(compare_runs(runs)[0].rows) == 4


def test_page_and_markdown(runs, tmp_path):
    out = tmp_path / "made" / "out"
    build_leaderboard(runs, out)
    page, text = ((out / f"leaderboard.{end}").read_text(encoding="utf-8") for end in ("html", "md"))
    for name in ("own", "baseline_weak", "baseline_slow", "strangers"):
        assert f"--algorithm {name}" in page
        assert f"`sigkit bench run drawn --algorithm {name}`" in text
    # Nothing is fetched: no address, script, picture or style of elsewhere.
    assert not re.search(r"https?://|<script|<img|<link|@import|url\(", page)
    # What colour tells, a shape tells too.
    assert page.count("●") >= 2
    assert page.count("■") >= 3
    assert page.count("▲") >= 2
    assert page.count("<circle") == 1
    assert page.count("<rect") == 2
    assert "7.25 µs" in text
    assert "Critical difference" in text
    assert "Critical difference" in page
    first = next(line for line in text.splitlines() if line.startswith("| 1 |"))
    assert first.rstrip().endswith("yes |") or "strangers" in first
    # Every table has as many cells in each row as in its head.
    for block in re.findall(r"(?:^\|.*\n)+", text, flags=re.M):
        assert len({line.count("|") for line in block.splitlines()}) == 1


def test_a_hostile_name_is_text(runs, tmp_path):
    draw_run(runs, "x", 0.5, 1.0, title="<b onmouseover=alert(1)>", protocol="odd")
    build_leaderboard(runs, tmp_path)
    assert "<b onmouseover" not in (tmp_path / "leaderboard.html").read_text(encoding="utf-8")


def test_readme_table_between_its_markers(runs, tmp_path):
    readme = tmp_path / "README.md"
    readme.write_text(f"before\n{BEGIN}\nold\n{END}\nafter\n", encoding="utf-8")
    build_leaderboard(runs, tmp_path, readme)
    text = readme.read_text(encoding="utf-8")
    assert text.startswith(f"before\n{BEGIN}\n| task |")
    assert text.endswith(f"{END}\nafter\n")
    assert "old" not in text
    assert "| Drawn drawn | within 25 µs |" in text
    assert (BEGIN, END) == ("<!-- leaderboard -->", "<!-- /leaderboard -->")
    build_leaderboard(runs, tmp_path, readme)
    assert readme.read_text(encoding="utf-8") == text


@pytest.mark.parametrize("text", ["nothing", BEGIN, f"{END}\n{BEGIN}"])
def test_a_readme_without_markers_is_left_alone(runs, tmp_path, text):
    readme = tmp_path / "README.md"
    readme.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"README\.md: has no lines <!-- leaderboard -->"):
        build_leaderboard(runs, tmp_path / "out", readme)
    assert readme.read_text(encoding="utf-8") == text
    assert not (tmp_path / "out").exists()


def test_the_same_runs_make_the_same_files(runs, tmp_path):
    for name in ("one", "two"):
        build_leaderboard(runs, tmp_path / name)
    for name in ("leaderboard.html", "leaderboard.md"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_words_for_numbers():
    assert interval(None) == interval(Estimate(float("nan"))) == short(None) == short(float("nan")) == "–"
    assert interval(Estimate(0.5)) == "0.5"
    assert interval(Estimate(0.5, 0.4, 0.6)) == "0.5 (0.4 to 0.6)"
    assert (seconds(0.25), seconds(3.0), seconds(None)) == ("250 ms", "3 s", "–")


def test_no_single_wrong_entry_of_a_result_ends_in_anything_but_a_clear_error(tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    path = draw_run(folder, "own", 0.95, 2.0, "built-in", seed=1)
    whole = json.loads(path.read_text(encoding="utf-8"))
    refused = []
    for place in places(whole):
        for wrong in (None, "words", [], {}, -1, True):
            held = json.loads(json.dumps(whole))
            table = held
            for name in place[:-1]:
                table = table[name]
            table[place[-1]] = wrong
            path.write_text(json.dumps(held), encoding="utf-8")
            try:
                build_leaderboard(folder, tmp_path / "out")
            except SettingsError as fault:
                refused.append(str(fault))
    assert len(refused) > 50
    assert all(str(path) in one for one in refused)


def places(table, before=()):
    for name, held in table.items():
        yield (*before, name)
        if isinstance(held, dict):
            yield from places(held, (*before, name))
