"""What cannot be told apart in two views, and what several merits say together."""

from collections.abc import Mapping

import pandas as pd

from charscreen.basis import is_measured
from charscreen.rank.letters import shorten
from charscreen.report.blocks import Bullets, Column, Section, Table, Text
from charscreen.report.ranking_tables import basis_words, group_table
from charscreen.report.ranking_view import is_in_group, of_merit
from charscreen.report.standing import Standing
from charscreen.report.tables import Names, interval_text
from charscreen.rounding import fixed, is_number, percent
from charscreen.words import (
    agree,
    candidate_words,
    candidates_in_words,
    feedstocks_in_words,
    first_upper,
    merit_unit,
    merit_words,
)

SHOWN = 12
_LEAST_CHANCE = 0.05


def not_told_apart(standing: Standing, folder: str) -> list:
    """Whom the choice cannot be told apart from: of the measured first, then of all.

    Parameters
    ----------
    standing : Standing
        Of one merit with two candidates or more.
    folder : str
        Of the results.
    """
    merit, words = standing.merit, merit_words(standing.merit)
    pool, near = standing.pool, [standing.choice, *standing.near]
    kind = "measured candidates" if standing.is_part else "candidates"
    choice = standing.words(standing.choice)
    blocks: list = []
    if len(pool) < 2:
        blocks.append(Text(f"By {words}, {choice} is the only measured candidate."))
    elif not standing.near:
        blocks.append(
            Text(f"By {words}, {choice} is told apart from all other {kind} ({len(pool) - 1}).")
        )
    else:
        text = (
            f"By {words}, {len(near)} of {len(pool)} {kind} cannot be told apart, {choice} "
            "itself counted"
        )
        if is_number(standing.together):
            chance = percent(standing.together)
            text += f"; the chance that the best of the {kind} is one of them is {chance}"
        blocks.append(Text(text + ". Choose among them by price, supply and ease of handling."))
        blocks.append(
            group_table(
                near, merit, kind=kind, file=f"{folder}/rank/ranking.csv", names=standing.names
            )
        )
    if standing.is_part:
        blocks.append(Text(_with_predicted(standing)))
    return blocks


def _with_predicted(standing: Standing) -> str:
    """The same question asked of all candidates, where some are predicted."""
    rows, first = standing.rows, standing.rows[0]
    near = [row for row in rows if is_in_group(row)]
    n_more = len(rows) - len(standing.pool)
    those = agree(n_more, "that was not measured at its", "that were not measured at their")
    text = f"With the {n_more} {those} own condition counted as well, "
    which = standing.words(standing.choice)
    if first is not standing.choice:
        text += f"{standing.words(first)} (not measured there) comes first, and "
        which = "it"
    others = max(len(near) - 1, 0)
    if not others:
        return f"{text}none of the other {len(rows) - 1} comes near {which}."
    text += f"{others} of the other {len(rows) - 1} cannot be told apart from {which}"
    unmade = sum(not is_measured(row) for row in near if row is not first)
    return f"{text}, {unmade} of them not measured." if unmade else f"{text}."


def two_views(inputs: Mapping, merit: str, folder: str, *, explain: bool = True) -> list:
    """Table of a merit with groups, intervals, letters and joint band, and how to read it.

    Parameters
    ----------
    inputs : mapping
        ``ranking`` and ``comparison`` (``groups`` and the dict ``json``; may be absent).
    merit : str
        Which.
    folder : str
        Of the results.
    explain : bool
        Whether to say what the two answers mean; once on a page is enough.
    """
    comparison, names = inputs.get("comparison"), inputs.get("feedstock_names")
    found = (comparison or {}).get("json", {}).get("groups", {}).get("merits", {}).get(merit)
    if not found or found["n"] < 2:
        return []
    level = f"{100 * comparison['json']['groups']['probability']:g} %"
    groups = comparison["groups"]
    mine = groups[groups["merit"] == merit]
    rows = of_merit(inputs["ranking"], merit).merge(mine, on=["candidate", "merit"], how="left")
    tested = found["gupta_subset"] is not None
    kept = (rows["in_posterior_group"] == "yes") | (rows["in_gupta_subset"] == "yes")
    kept |= rows.index < SHOWN // 2
    rows = rows[kept].head(SHOWN)
    columns = [Column("Candidate", is_wide=True), Column("Posterior group")]
    if tested:
        columns += [
            Column("Subset by tests"),
            Column("Letters"),
            Column("Against the best other [%]", True),
        ]
    columns.append(Column("Joint band of ranks", True))
    cells = []
    for row in rows.to_dict("records"):
        line = [candidate_words(row, names) + basis_words(row), _mark(row["in_posterior_group"])]
        if tested:
            line += [
                _mark(row["in_gupta_subset"]),
                shorten(row["letters"]) if isinstance(row["letters"], str) else "–",
                _ends(row["hsu_lo_percent"], row["hsu_hi_percent"]),
            ]
        line.append(f"{fixed(row['band_lo'], 0)} to {fixed(row['band_hi'], 0)}")
        cells.append(line)
    note = f"Joint band: the whole order lies within these ranks with {level}."
    standing = Standing(inputs, merit, of_merit(inputs["ranking"], merit).to_dict("records"))
    among = f"{found['n']} candidates"
    if standing.is_part:
        among += ", predicted ones included"
    if tested:
        note += f" Letters: two without a common one are told apart, all pairs together at {level}"
        note += "." if found["letters_exact"] else "; of those that share one a few may be as well."
    table = Table(
        id=f"table-views-{merit}",
        caption=f"Two answers by {merit_words(merit)}, among all {among}",
        file=f"{folder}/rank/groups.csv",
        columns=columns,
        rows=cells,
        note=note,
    )
    said = _explained(level) if explain else []
    if not tested:
        said = [*said[:1], f"There is no answer by tests for this merit: {found['no_fixed_view']}."]
    return [Bullets(said), table] if said else [table]


def _explained(level: str) -> list[str]:
    return [
        f"Posterior group: given these data, the best is ahead of each candidate outside it with "
        f"{level} or more, pair by pair; feedstocks are drawn towards their mean.",
        f"Subset by tests: in {level} of screens like this one, whatever the truth, the best is in "
        "it and all intervals against the best of the others hold at once; nothing is drawn "
        "towards a mean (Gupta 1965, Hsu 1984, from memory).",
    ]


def several_merits(inputs: Mapping, folder: str) -> Section | None:
    """The section on fronts, desirability and weights; None where there is nothing to say."""
    comparison, names = inputs.get("comparison"), inputs.get("feedstock_names")
    if not comparison:
        return None
    said, ranking = comparison["json"], inputs["ranking"]
    blocks: list = [Text(candidates_in_words(text, names)) for text in said["front"]]
    if len(comparison["front"]):
        blocks.append(_front_table(comparison["front"], ranking, names, folder))
    blocks += [Text(candidates_in_words(text, names)) for text in said["desirability"]]
    if len(comparison["desirability"]):
        blocks.append(_desirability_table(comparison["desirability"], ranking, names, folder))
    if said["sensitivity"]:
        texts = [feedstocks_in_words(text, names) for text in said["sensitivity"]]
        blocks.append(Bullets([candidates_in_words(text, names) for text in texts]))
    return Section("several-merits", "Several merits together", blocks) if blocks else None


def _front_table(front: pd.DataFrame, ranking: pd.DataFrame, names: Names, folder: str) -> Table:
    merits = list(front.columns[3:])
    rows = front[(front["p_front"] >= _LEAST_CHANCE) | (front["on_front"] == "yes")]
    shown = rows.head(SHOWN)
    units = ranking.drop_duplicates("merit").set_index("merit")["unit"]
    cells = [
        [
            _words(row["candidate"], ranking, names),
            *[_estimate(row["candidate"], merit, ranking) for merit in merits],
            percent(row["p_front"]),
            row["on_front"],
        ]
        for row in shown.to_dict("records")
    ]
    which = f", the surest {len(shown)} of {len(rows)}" if len(rows) > len(shown) else ""
    return Table(
        id="table-front",
        caption=f"Candidates that no other beats in every merit{which}",
        note="Chance: share of the draws in which a candidate is on the front. Which of them to "
        "take is a matter of what counts more.",
        file=f"{folder}/rank/front.csv",
        columns=[
            Column("Candidate", is_wide=True),
            *[
                Column(f"{first_upper(merit_words(m))} [{merit_unit(m, units.get(m))}]", True)
                for m in merits
            ],
            Column("Chance on the front", True),
            Column("By the medians"),
        ],
        rows=cells,
    )


def _desirability_table(
    table: pd.DataFrame, ranking: pd.DataFrame, names: Names, folder: str
) -> Table:
    shown = table[table["desirability"] > 0].head(SHOWN)
    cells = [
        [
            str(place),
            _words(row["candidate"], ranking, names),
            fixed(row["desirability"], 2),
            f"{fixed(row['desirability_lo'], 2)} to {fixed(row['desirability_hi'], 2)}",
            percent(row["p_best"]),
            percent(row["p_unacceptable"]),
        ]
        for place, row in enumerate(shown.to_dict("records"), start=1)
    ]
    return Table(
        id="table-desirability",
        caption=f"The best {len(shown)} of {len(table)} candidates by desirability",
        note="0 is worth nothing, 1 as good as needed in every merit (config/config.yaml, "
        "desirability; Derringer and Suich 1980, from memory).",
        file=f"{folder}/rank/desirability.csv",
        columns=[
            Column("Place", True),
            Column("Candidate", is_wide=True),
            Column("Desirability", True),
            Column("Interval", True),
            Column("Chance best", True),
            Column("Chance worth nothing", True),
        ],
        rows=cells,
    )


def _words(candidate: str, ranking: pd.DataFrame, names: Names) -> str:
    rows = ranking[ranking["candidate"] == candidate]
    return candidate_words(rows.iloc[0], names) if len(rows) else candidate


def _estimate(candidate: str, merit: str, ranking: pd.DataFrame) -> str:
    """`131 (112 to 152)`."""
    rows = ranking[(ranking["candidate"] == candidate) & (ranking["merit"] == merit)]
    value, ends = interval_text(rows.iloc[0], "estimate", "estimate_lo", "estimate_hi")
    return f"{value} ({ends})" if ends else value


def _mark(value: object) -> str:
    return {"yes": "≈ in it", "no": "out"}.get(value, "–") if isinstance(value, str) else "–"


def _ends(lo: object, hi: object) -> str:
    if not (is_number(lo) and is_number(hi)):
        return "–"
    return f"{_signed(lo)} to {_signed(hi)}"


def _signed(value: float) -> str:
    text = f"{value:+.0f}".replace("-", "\N{MINUS SIGN}")
    return "0" if text[1:] == "0" else text
