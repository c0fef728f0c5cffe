"""The leaderboard: one page, one Markdown file and the short table of the README, all built from the results."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from sigkit.bench.compare_runs import Board, Row, compare_runs
from sigkit.errors import SettingsError
from sigkit.score.estimate import Estimate

BEGIN, END = "<!-- leaderboard -->", "<!-- /leaderboard -->"
CAUTION = (
    "All engines here are simulated, by the simulator sigkit was developed with; nothing is a claim about the field. "
    "In brackets: 95 % interval by bootstrap over engines. Difference: ours less theirs in the metric that ranks, "
    "paired on the same engines drawn; its interval is not corrected for the number of rivals. Effect: mean over "
    "engines of the difference of each, over its standard deviation. p: of that mean, by sign flips over engines, "
    "Holm-corrected within the task; a dash where single engines have no figure. Time: in which the test "
    "captures were answered by one process, opening them and what the protocol's helpers do included, and as a "
    "multiple of a reference operation timed in the same run. Front: no other is as good and as quick, and better in "
    "one of the two."
)
#: Plot area of the accuracy-time picture, in its own units, and room for labels.
_WIDTH, _HEIGHT, _LEFT, _BOTTOM, _TOP, _RIGHT = 640, 260, 62, 44, 14, 20


def build_leaderboard(runs: str | Path, out: str | Path, readme: str | Path | None = None) -> list[Board]:
    """Write ``leaderboard.html`` and ``leaderboard.md``.

    Parameters
    ----------
    runs : path
        Folder of results.
    out : path
        Folder to write; made where it is missing.
    readme : path, optional
        File whose part between `BEGIN` and `END` is replaced by the short table.

    Raises
    ------
    SettingsError
        When there is no result, a file is none, runs of one protocol were made on different data or by different
        protocols, or the readme has no such markers; nothing is written then.
    """
    boards = compare_runs(runs)
    text = _target(readme) if readme else ""
    Path(out).mkdir(parents=True, exist_ok=True)
    (Path(out) / "leaderboard.md").write_text(as_markdown(boards), encoding="utf-8")
    (Path(out) / "leaderboard.html").write_text(as_page(boards), encoding="utf-8")
    if readme:
        before, rest = text.split(BEGIN, 1)
        after = rest.split(END, 1)[1]
        Path(readme).write_text(f"{before}{BEGIN}\n{short_table(boards)}{END}{after}", encoding="utf-8")
    return boards


def as_markdown(boards: list[Board]) -> str:
    """Return all tables as Markdown."""
    parts = ["# Leaderboard", CAUTION]
    for board in boards:
        about = board.rows[0].result
        parts.append(f"## {board.title}")
        parts.append(
            f"Protocol `{board.protocol}` ({about['protocol_sha256'][:12]}), data {about['data']['hash'][:12]}, "
            f"{_engines(about)}, {about['counted']} counted, sigkit {about['sigkit_tree'][:16]}."
        )
        parts += [f"**{note}**" for note in board.notes]
        lines = [f"| rank | algorithm | {board.primary} | ours less this | effect | p | time | ratio | front |",
                 "|---" * 9 + "|"]  # fmt: skip
        for number, row in enumerate(board.rows, start=1):
            cells = [str(number), f"{row.name} ({row.result['origin']})", interval(row.primary), *_against(row),
                     seconds(row.result["time"]["judge_s"]), short(row.result["time"].get("ratio")),
                     "yes" if row.on_front else "no"]  # fmt: skip
            lines.append("| " + " | ".join(cells) + " |")
        parts.append("\n".join(lines))
        if board.ranks:
            parts.append(ranks_in_words(board))
        names = _further(board)
        if names:
            lines = ["| algorithm | " + " | ".join(names) + " |", "|---" * (len(names) + 1) + "|"]
            for row in board.rows:
                lines.append("| " + " | ".join([row.name, *(_metric(row, name) for name in names)]) + " |")
            parts.append("\n".join(lines))
        parts.append("Each row is made again by:\n")
        parts[-1] += "\n".join(f"- `{row.result['command']}`" for row in board.rows)
    return "\n\n".join(parts) + "\n"


def ranks_in_words(board: Board) -> str:
    """Return the average ranks over engines, their critical difference and who lies within it."""
    ranks = board.ranks
    if ranks is None:
        return ""
    told = ", ".join(f"{name} {estimate.value:.3g}" for name, estimate in ranks.rank.items())
    alike = "; ".join(" = ".join(names) for names in ranks.alike if len(names) > 1)
    return (
        f"Average rank over {ranks.blocks} engines (1 is best): {told}. "
        f"Critical difference {ranks.critical_difference:.3g} (Nemenyi, {100 * ranks.alpha:g} %); "
        + (f"not told apart: {alike}." if alike else "all are told apart.")
    )


def short_table(boards: list[Board]) -> str:
    """Return one line a task: ours, the best rival and what the paired difference says."""
    lines = ["| task | ranked by | ours | best rival | ours less rival |", "|---|---|---|---|---|"]
    for board in boards:
        rival = next((row for row in board.rows if row.result["origin"] != "built-in"), None)
        ours = interval(board.ours.primary) if board.ours else "–"
        theirs = f"{rival.name}: {interval(rival.primary)}" if rival else "none"
        apart = f"{interval(rival.difference)}, {rival.verdict}" if rival and rival.difference else "–"
        lines.append(f"| {board.title} | {board.primary} | {ours} | {theirs} | {apart} |")
    return "\n".join(lines) + "\n"


def as_page(boards: list[Board]) -> str:
    """Return the page, which needs no other file."""
    from jinja2 import Environment, PackageLoader

    environment = Environment(
        loader=PackageLoader("sigkit.bench", "templates"), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["together"] = together
    shown = [
        {"board": board, "picture": picture(board), "about": board.rows[0].result,
         "engines": _engines(board.rows[0].result), "ranks": ranks_in_words(board),
         "rows": [_shown(row) for row in board.rows], "names": _further(board),
         "learns": any(row.result["time"].get("learn_s") for row in board.rows),
         "more": [[row.name, *(_metric(row, name) for name in _further(board))] for row in board.rows]}
        for board in boards
    ]  # fmt: skip
    return environment.get_template("leaderboard.html.jinja").render(boards=shown, caution=CAUTION)


def picture(board: Board) -> dict[str, Any]:
    """Return what the accuracy-time picture draws: marks, error bars, ticks, in its own units."""
    numbered = [(number, row) for number, row in enumerate(board.rows, start=1)
                if math.isfinite(row.primary.value) and row.result["time"]["judge_s"] > 0]  # fmt: skip
    if not numbered:
        return {}
    numbers, drawn = zip(*numbered, strict=True)
    logs = [math.log10(row.result["time"]["judge_s"]) for row in drawn]
    first, last = math.floor(min(logs)), math.ceil(max(logs) + 1e-9)
    last = max(last, first + 1)
    ends = [[_known(row.primary.low, row.primary.value), _known(row.primary.high, row.primary.value)] for row in drawn]
    low, high = min(end[0] for end in ends), max(end[1] for end in ends)
    margin = 0.08 * (high - low) or 0.05
    low, high = low - margin, high + margin

    def across(value: float) -> float:
        return round(_LEFT + (value - first) / (last - first) * (_WIDTH - _LEFT - _RIGHT), 1)

    def up(value: float) -> float:
        return round(_TOP + (high - value) / (high - low) * (_HEIGHT - _TOP - _BOTTOM), 1)

    marks = [
        {"x": across(at), "y": up(row.primary.value), "y0": up(end[0]), "y1": up(end[1]), "number": number,
         "origin": row.result["origin"], "words": f"{row.name}: {interval(row.primary)}, "
         f"{seconds(row.result['time']['judge_s'])}"}
        for number, row, at, end in zip(numbers, drawn, logs, ends, strict=True)
    ]  # fmt: skip
    step = 10.0 ** math.floor(math.log10(high - low))
    step = next(s for s in (step / 5, step / 2, step, 2 * step) if (high - low) / s <= 6)
    values = [math.ceil(low / step) * step + k * step for k in range(7)]
    return {
        "width": _WIDTH, "height": _HEIGHT, "left": _LEFT, "right": _WIDTH - _RIGHT, "top": _TOP,
        "bottom": _HEIGHT - _BOTTOM, "marks": marks,
        "times": [{"x": across(power), "words": seconds(10.0**power)} for power in range(first, last + 1)],
        "values": [{"y": up(value), "words": f"{value:.4g}"} for value in values if value <= high],
    }  # fmt: skip


def interval(value: Estimate | None) -> str:
    """Return a number with its interval, a dash for nothing."""
    if value is None or math.isnan(value.value):
        return "–"
    if math.isnan(value.low):
        return f"{value.value:.3g}"
    return f"{value.value:.3g} ({value.low:.3g} to {value.high:.3g})"


def together(text: str) -> str:
    """Return a cell's text that breaks into lines before its interval and its verdict only.

    Examples
    --------
    >>> together("0.5 (0.4 to 0.6), ours ahead").split(" ")
    ['0.5', '(0.4\\xa0to\\xa00.6),', 'ours\\xa0ahead']
    """
    keep = "\u00a0"
    text = text.replace(" to ", f"{keep}to{keep}").replace("ours ", f"ours{keep}").replace(" (", "\n(")
    # What is left are numbers with their units.
    head, *rest = text.split("\n", 1)
    return " ".join([head.replace(" ", keep), *rest])


def short(value: float | None) -> str:
    """Return three digits, a dash for nothing."""
    return "–" if value is None or math.isnan(value) else f"{value:.3g}"


def seconds(value: float | None) -> str:
    """Return a duration with its unit."""
    return "–" if value is None else f"{value * 1e3:.3g} ms" if value < 1 else f"{value:.3g} s"


def _shown(row: Row) -> dict[str, Any]:
    difference, effect, p_value = _against(row)
    time = row.result["time"]
    return {"row": row, "primary": interval(row.primary), "difference": difference, "effect": effect, "p": p_value,
            "seconds": seconds(time["judge_s"]), "learn": seconds(time["learn_s"]) if time.get("learn_s") else "",
            "ratio": short(time.get("ratio"))}  # fmt: skip


def _against(row: Row) -> tuple[str, str, str]:
    if row.difference is None:
        return "–", "–", "–"
    effect = row.effect_size.value if row.effect_size else math.nan
    return f"{interval(row.difference)}, {row.verdict}", short(effect), short(row.p_value)


def _further(board: Board) -> list[str]:
    """Return the metrics besides the one that ranks, in the order of the first run that has them."""
    names = dict.fromkeys(name for row in board.rows for name in row.result["metrics"])
    return [name for name in names if name != board.primary]


def _metric(row: Row, name: str) -> str:
    told = row.result["metrics"].get(name)
    if told is None or told.get("value") is None:
        return "–"
    unit = told.get("unit", "")
    found = Estimate(*(math.nan if told.get(key) is None else float(told[key]) for key in ("value", "low", "high")))
    return interval(found) + (f" {unit}" if unit in ("µs", "%", "nat") else "")


def _engines(result: dict[str, Any]) -> str:
    counts = result["data"].get("engines", {})
    return ", ".join(f"{number} engines {split}" for split, number in counts.items()) or "engines not counted"


def _known(value: float, otherwise: float) -> float:
    return otherwise if math.isnan(value) else value


def _target(readme: str | Path) -> str:
    text = Path(readme).read_text(encoding="utf-8")
    if BEGIN not in text or END not in text.split(BEGIN, 1)[1]:
        raise SettingsError(f"{readme}: has no lines {BEGIN} and {END}; put them where the table belongs")
    return text
