"""Pairs of statements about one unit that cannot both be true, wherever they stand.

A check is held against the fields of results.json where it can be, against words where not.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, sqrt
from typing import Any

from matplotlib.text import Text

from outcomes.answers.facts import Facts
from outcomes.report.answer_figure import draw_briefing_figure
from outcomes.report.page import render_page
from outcomes.report.report import compare_lines, fit_lines, retire_lines
from outcomes.report.results import results
from outcomes.report.write import results_text
from outcomes.text import DAYS_PER_MONTH, FEWEST_MONTHS, of_100

from .conftest import read_page

_CHANGES = ("cycles", "age", "both", "cannot be told apart")
_CLEAR = 3.0  # standard errors of the difference of two proportions
Found = Iterator[str]


@dataclass(frozen=True)
class Telling:
    """All that is told about a unit: results.json, and where → what is read there."""

    results: dict[str, Any]
    texts: dict[str, str]
    cells: tuple[str, ...]

    @property
    def everywhere(self) -> str:
        return "\n".join(self.texts.values())


def tell(facts: Facts) -> Telling:
    """Page, terminal, main figure and results.json of a unit."""
    told = json.loads(results_text(results(facts)))
    page = read_page(render_page(facts, None).replace("\u00a0", " "))
    figure = draw_briefing_figure(facts).findobj(Text)
    drawn = (re.sub(r"\s+", " ", part.get_text().replace("\u00a0", " ")) for part in figure)
    texts = {
        "page": page.text,
        "fit": "\n".join(fit_lines(facts)),
        "retire": "\n".join(retire_lines(facts)),
        "compare": "\n".join(compare_lines(facts)),
        "figure": "\n".join(drawn),
        "results.json": "\n".join(_sentences(told)),
    }
    return Telling(told, texts, page.cells)


def _sentences(part: Any) -> Iterator[str]:
    """Every text in results.json that is a sentence for a person."""
    if isinstance(part, dict):
        for name, value in part.items():
            if isinstance(value, str) and name in ("sentence", "title", "trade_off_sentence"):
                yield value
            else:
                yield from _sentences(value)
    elif isinstance(part, list):
        for one in part:
            yield from [one] if isinstance(one, str) and " " in one else _sentences(one)


def contradictions(told: Telling) -> list[str]:
    """Every pair found, each with the name of its check."""
    return [f"{check.__name__}: {found}" for check in CHECKS for found in check(told)]


def direction_of_headline(told: Telling) -> Found:
    """Headline against curve, term and circles."""
    which, title = told.results["which_predicts"], told.results["which_predicts"]["title"]
    if which["verdict"] not in ("cycles", "age", "both"):
        if re.search(r"\bFinds (fall|rise|drop)", title) and which["verdict"] in (
            "no change detected",
            "too few trials",
        ):
            yield f"{which['verdict']}, under {title!r}"
        return
    for curve in told.results["retire"]["curves"]:
        noun = "freeze/thaw cycles" if curve["exposure"] == "cycles" else "age"
        way = re.search(rf"(fall|rise)s? (?:both )?with (?:every )?(?:the )?{noun}", title)
        if way is None or not curve["probability"]:
            continue
        falls = way.group(1) == "fall"
        if (curve["probability"][-1] < curve["probability"][0]) is not falls:
            yield f"{title!r} over a curve that goes the other way"
        z = _slope_of_circles(curve["bins"])
        if z is not None and (z > _CLEAR if falls else z < -_CLEAR):
            yield f"{title!r} over circles that go the other way ({z:+.1f} standard errors)"
        term = next(
            (t for t in told.results["find"]["terms"] if t["term"] == curve["exposure"]), None
        )
        line = (which["shape"] or {}).get(curve["exposure"], {}) or {}
        if term and line.get("kind") == "line" and (term["log_odds"] < 0.0) is not falls:
            yield f"{title!r} with a term of {term['log_odds']:+.3f}"


def _slope_of_circles(bins: list[dict[str, Any]]) -> float | None:
    """Difference of the later half of the circles from the earlier, in standard errors."""
    half = len(bins) // 2
    parts = [bins[:half], bins[-half:]] if half else []
    if not parts:
        return None
    n = [sum(b["n"] for b in part) for part in parts]
    share = [
        (sum(b["finds"] for b in part) + 0.5) / (m + 1) for part, m in zip(parts, n, strict=True)
    ]
    return (share[1] - share[0]) / sqrt(sum(p * (1 - p) / m for p, m in zip(share, n, strict=True)))


def change_and_limit(told: Telling) -> Found:
    """A limit to go by where no change is called; no change beside a fall."""
    which, retire = told.results["which_predicts"], told.results["retire"]
    if which["verdict"] in ("no change detected", "too few trials") and retire["retire_after"]:
        yield f"{which['verdict']} beside a limit of {retire['retire_after']}"
    if which["verdict"] not in _CHANGES:
        for where, text in told.texts.items():
            for said in re.findall(
                r"[^\n.]*\b[Rr]etire [\w ]*(?:after|at an age of) \d[^\n.]*", text
            ):
                yield f"{which['verdict']}, and {where} says {said.strip()!r}"
    if which["verdict"] in _CHANGES and "No change in finds with cycles or age" in told.everywhere:
        yield f"{which['verdict']} beside 'No change in finds with cycles or age'"


def one_limit(told: Telling) -> Found:
    """The limit in every text is that of results.json."""
    allowed = set()
    for limit in [told.results["retire"], *told.results["retire"]["also"]]:
        after = limit["retire_after"]
        if after is None:
            continue
        if limit["by"] == "cycles":
            allowed.add(f"{after:.0f} cycle{'' if after == 1 else 's'}")
            continue
        gone = int(after / DAYS_PER_MONTH)
        days = f"{after:.0f} day{'' if after == 1 else 's'}"
        allowed |= {
            f"{gone} month{'' if gone == 1 else 's'}" if gone >= FEWEST_MONTHS else days,
            days,
        }
    pattern = r"[Ll]imit(?: for [a-z ,]+)?:? (?:an age of )?(\d[\d,]* (?:cycle|month|day)s?)"
    for where, text in told.texts.items():
        for said in re.findall(pattern, text):
            if said not in allowed:
                yield f"{where} says {said!r}, results.json {sorted(allowed) or 'none'}"


def no_limit_over_a_table(told: Telling) -> Found:
    """That no limit can be set stands over no limit that is advised."""
    set_ = any(
        limit["retire_after"] is not None
        for limit in [told.results["retire"], *told.results["retire"]["also"]]
    )
    for where, text in told.texts.items():
        if "(advised)" in text and not set_:
            yield f"{where} advises a limit, and none is set"
        none = re.search(r"No (?:retirement )?limit[\w ]* can be set", text)
        if none and not set_ and "What limits by" in text:
            yield f"{where}: {none.group()!r} over a table of limits"
        if set_ and re.search(r"No retirement limit(:| can be set from these records yet)", text):
            yield f"{where} says that there is no limit, and one is set"


def advice_and_evidence(told: Telling) -> Found:
    """Advice on each source against its interval and what it has left."""
    floor = told.results["settings"]["floor"]
    for source in told.results["shelf"] or []:
        name, advice, left = source["source_id"], source["advice"], source["left"]
        if advice == "keep" and (source["low"] is None or source["low"] < floor - 1e-9):
            yield f"keep {name}, whose interval reaches below the floor ({source['low']})"
        if advice == "retire" and (source["high"] is None or source["high"] > floor + 1e-9):
            yield f"retire {name}, whose interval reaches above the floor ({source['high']})"
        if left and advice == "keep" and left["left"] == 0.0 and left["reason"] is None:
            yield f"keep {name}, which has none left"
        if left and advice != "retire" and "below the floor already" in (left["sentence"] or ""):
            yield f"{advice} {name}, which is below the floor already"


def one_advice(told: Telling) -> Found:
    """The advice on a source is the same on page, terminal and in results.json."""
    for source in told.results["shelf"] or []:
        name, advice = source["source_id"], source["advice"]
        for where in ("page", "retire"):
            order = rf"Already past [^\n]*?\b{re.escape(name)}\b[^\n.]*\. Test"
            if re.search(order, told.texts[where]) and advice != "test":
                yield f"{advice} {name}, and {where} says that it is to be tested"
        line = re.search(rf"^(retire|test|keep) +{re.escape(name)} ", told.texts["retire"], re.M)
        if line and line.group(1) != advice:
            yield f"{advice} {name} in results.json, {line.group(1)} in the terminal"
        if name in told.cells and advice not in told.cells[told.cells.index(name) :][:3]:
            yield f"{advice} {name} in results.json, something else on the page"


def left_past_the_limit(told: Telling) -> Found:
    """A source past the limit has nothing left to count on: the order is to test it."""
    limits = [told.results["retire"], *told.results["retire"]["also"]]
    for source in told.results["shelf"] or []:
        past = any(
            limit["retire_after"] is not None
            and (source[limit["by"]] or 0.0) > limit["retire_after"]
            and not told.results["which_predicts"]["kinds_falling"]
            for limit in limits
        )
        left = source["left"]
        if past and left and left["reason"] is None and source["advice"] != "retire":
            words = left["sentence"] or ""
            line = rf"^\w+ +{re.escape(source['source_id'])} [^\n]*\n +([^\n]* left[^\n]*)"
            if words or re.search(line, told.texts["retire"], re.M):
                yield f"{source['source_id']} is past the limit and has something left: {words!r}"


def rising_and_left(told: Telling) -> Found:
    """Where finds do not fall with an exposure, no source runs out of it."""
    for limit in [told.results["retire"], *told.results["retire"]["also"]]:
        noun = "cycles?" if limit["by"] == "cycles" else "months?|days?"
        if limit["outcome"] != "rises":
            continue
        for where in ("page", "retire"):
            said = re.search(
                rf"none left by the best estimate|\d+ (?:{noun}) left", told.texts[where]
            )
            if said:
                yield f"{where}: {said.group()!r}, and finds do not fall with {limit['by']}"


def counts_of_the_shelf(told: Telling) -> Found:
    """How many to retire, to test and to keep."""
    shelf = told.results["shelf"] or []
    for where in ("page", "retire"):
        said = re.search(r"Of ([\d,]+) sources? held: ([^\n]*)\.", told.texts[where])
        if said is None:
            continue
        if int(said.group(1).replace(",", "")) != len(shelf):
            yield f"{where} counts {said.group(1)} sources held, results.json {len(shelf)}"
        for number, advice in re.findall(r"([\d,]+) to (retire|test|keep)", said.group(2)):
            have = sum(s["advice"] == advice for s in shelf)
            if int(number.replace(",", "")) != have:
                yield f"{where} counts {number} to {advice}, results.json {have}"


_SIDE_WORDS: dict[tuple[str, str], str] = {
    ("search time", "cycles"): r"each 10 cycles went with [^\n.;]*to the find|took \w+ with cycles",
    (
        "search time",
        "age_days",
    ): r"each year of age went with [^\n.;]*to the find|took \w+ with age",
    ("false alerts", "cycles"): r"On hides, [^\n]*(10 cycles went|went with cycles)",
    ("false alerts", "age_days"): r"On hides, [^\n]*(year of age went|went with age)",
    ("calendar drift", "finds"): r"Finds changed over calendar time",
    ("wear-out", "regime"): r"Refrigerated sources stayed reliable (?:\S+ times|longer|less)",
    ("wear-out", "cycles at the same age"): r"further cycle went with a hazard",
    ("dogs", "differ"): r"Dogs differ beyond|finds than the other dogs, beyond chance",
    ("sources", "differ"): r"Sources differ beyond|finds than its exposure explains, beyond",
    ("dogs", "differ with cycles"): r"Dogs seem to differ in how their finds change with freeze",
    ("dogs", "differ with age_days"): r"Dogs seem to differ in how their finds change with age",
    ("dogs", "experience"): r"each doubling of a dog's trials so far go",
}


def side_findings(told: Telling) -> Found:
    """A side question told as a finding is one beyond chance, by its own interval too."""
    side = told.results["which_predicts"]["side_tests_p"]
    beyond = {(t["about"], t["of"]) for t in side["tests"] if t["beyond_chance"]}
    for test in side["tests"]:
        called = test["adjusted_p"] < side["alpha"]
        if called is not test["beyond_chance"] or test["adjusted_p"] < test["p"]:
            yield f"{test} does not hold together"
    for question, words in _SIDE_WORDS.items():
        for where, text in told.texts.items():
            said = re.search(words, text)
            if said and question not in beyond:
                yield f"{where} says {said.group()!r}, which is not beyond chance"
    for name in ("search_time", "false_alerts"):
        for term in told.results[name]["terms"]:
            key = (name.replace("_", " "), term["term"])
            if key in beyond and term["low"] <= 1.0 <= term["high"]:
                yield f"{key} is told, and its interval holds no change"
    for where in ("page", "fit"):
        said = told.texts[where].count("nothing beyond chance")
        if said != (bool(side["tests"]) and not beyond):
            yield f"{where} says {said} times 'nothing beyond chance', beside {sorted(beyond)}"


def no_change_shows(told: Telling) -> Found:
    """No change or difference, and beside it an interval that leaves none."""
    pattern = (
        r"[Nn]o (?:change|difference)[^\n.]*?anything from ([\d.]+) (fewer|more)(?: finds)? to "
        r"([\d.]+) (fewer|more)"
    )
    for where, text in told.texts.items():
        for low, way, high, other in re.findall(pattern, text):
            if way == other and 0.0 not in (float(low), float(high)):
                yield f"{where}: no change shows, and from {low} {way} to {high} {other}"
        for low, high in re.findall(
            r"[Nn]o (?:change|difference)[^\n.]*anything from ([\d.]+) to ([\d.]+) times", text
        ):
            if not float(low) <= 1.0 <= float(high):
                yield f"{where}: no difference shows, and {low} to {high} times"


def suspects_and_verdict(told: Telling) -> Found:
    """Suspects neither take the verdict back nor go beyond it."""
    verdict = told.results["which_predicts"]["verdict"]
    words = {"cycles": "freeze/thaw cycles", "age": r"\bage\b"}
    named = {"cycles": ["cycles"], "age": ["age"], "both": ["cycles", "age"]}.get(verdict, [])
    for where, text in told.texts.items():
        for said in re.findall(r"finds go with ([^\n]*?) once the others", text):
            for noun, pattern in words.items():
                if re.search(pattern, said) and noun not in named:
                    yield f"{where}: finds go with {said!r}, and the verdict is {verdict!r}"
            if named and not any(re.search(words[n], said) for n in named):
                yield f"{where}: finds go with {said!r} alone, and the verdict is {verdict!r}"
        if verdict in _CHANGES and "none was found to go with finds" in text:
            yield f"{where}: no suspect goes with finds, and the verdict is {verdict!r}"
        if "finds go only with" in text:
            yield f"{where}: that nothing else has a part, which no records show"


def kinds_and_sources(told: Telling) -> Found:
    """A kind falls, or it does not."""
    which = told.results["which_predicts"]
    falling = {k["kind"] for k in which["by_kind"] if k["falls"]}
    if set(which["kinds_falling"] or ()) - falling:
        yield f"{which['kinds_falling']} are told to fall, and {sorted(falling)} do"
    for text in (which["sentence"], told.texts["page"]):
        for said in re.findall(r"; in ([^\n;]*?) no fall shows", text):
            for kind in which["kinds_falling"] or ():
                if re.search(rf"\b{re.escape(kind)}\b", said):
                    yield f"{kind} falls, and does not"
        for some, others in re.findall(r"The fall shows in ([^.]*?), not in ([^.]*)\.", text):
            both = set(re.split(r", | and ", some)) & set(re.split(r", | and ", others))
            if both:
                yield f"{sorted(both)} fall, and do not"


def loss_and_chance(told: Telling) -> Found:
    """No word of loss where the records show no more than chance gives."""
    lifetime = told.results["lifetime"]
    chance = lifetime["chance_alone"]
    if chance is None:
        return
    if chance["told"] == "more than chance":
        if told.results["which_predicts"]["verdict"] not in _CHANGES:
            yield "sources wear out, and finds show no change"
        return
    for where, text in told.texts.items():
        said = re.search(
            r"half of the [\w ]*(had|sources)|become unreliable in the next|"
            r"stayed reliable \S+ times|further cycle went with a hazard",
            text,
        )
        if said:
            yield f"{where}: {said.group()!r}, where no more met the rule than by chance"
    if lifetime["cycle_by_cycle"]["next_cycles"] or lifetime["terms"]:
        yield "results.json has rates of loss, where no more met the rule than by chance"
    if chance["told"] == "no more than chance" and chance["p"] < told.results["settings"]["alpha"]:
        yield f"no more than chance gives, with p {chance['p']}"


def told_by_what_is_named(told: Telling) -> Found:
    """Where age alone is named, nothing is told cycle by cycle."""
    if told.results["which_predicts"]["verdict"] != "age":
        return
    for where, text in told.texts.items():
        said = re.search(r"become unreliable in the next \d+ cycles", text)
        if said:
            yield f"{where}: {said.group()!r}, and the verdict is age"
    if told.results["lifetime"]["cycle_by_cycle"]["next_cycles"]:
        yield "results.json tells losses by cycles, and the verdict is age"


def one_p_value(told: Telling) -> Found:
    """Cycles and age are significant in the table of terms where they are in the answer's tests."""
    which, alpha = told.results["which_predicts"], told.results["settings"]["alpha"]
    tests = {"cycles": "cycles_given_age_p", "age_days": "age_given_cycles_p"}
    table = re.search(r"(?ms)^Terms of the model$.*?^standard deviations", told.texts["fit"])
    for term, test in tests.items():
        row = table and re.search(rf"(?m)^{term} .*? (\d\.\d+)$", table.group())
        if not row or which[test] is None:
            continue
        if (float(row.group(1)) < alpha) != (which[test] < alpha):
            yield f"{term}: p {row.group(1)} in the table, {which[test]} in the answer's test"


def storage_compared(told: Telling) -> Found:
    """Refrigerated against frozen: a finding, none, or no answer; once."""
    compare = told.results["compare"]
    finding = r"have given about [\d.]+ (?:more|fewer)"
    clear = compare["low"] is not None and not compare["low"] <= 0.0 <= compare["high"]
    if compare["finding"] and clear:
        none = "No difference between refrigerated and frozen was detected"
        if none in told.everywhere:
            yield f"a difference in storage is a finding, beside {none!r}"
    elif compare["low"] is not None:
        for where, text in told.texts.items():
            if re.search(finding, text):
                yield f"{where} states a difference in storage, and it is no finding"
    if compare["reason"] is not None:
        for where, text in told.texts.items():
            for words in (finding, r"Kind by kind: ", r"does not change the sign: "):
                said = re.search(words, text)
                if said:
                    yield f"{where}: {said.group()!r}, and storage cannot be compared"
    portions = compare["portions"]
    sure = portions["reason"] is None and not portions["risk_low"] <= 0.0 <= portions["risk_high"]
    if sure and clear and portions["risk_difference"] * compare["risk_difference"] < 0.0:
        yield "portions of one source say the other of storage than all sources"


def counts_of_trials(told: Telling) -> Found:
    """Trials, misses, finds, sources and dogs are the same wherever they are counted."""
    find, records = told.results["find"], told.results["records"]
    search, life = told.results["search_time"], told.results["lifetime"]
    if find["n"] != find["finds"] + find["misses"] or find["n"] > records["hide_trials"]:
        yield f"{find['n']} trials: {find['finds']} finds, {find['misses']} misses"
    if records["hide_trials"] + records["blank_trials"] != records["trials"]:
        yield "hides and blank areas do not add up to the trials"
    whole = {(find["n"], find["misses"], find["sources"], find["dogs"])}
    patterns: list[tuple[str, set[tuple[int, ...]]]] = [
        (
            r"rests on ([\d,]+) usable hide trials? \(([\d,]+) miss(?:es)?\) of ([\d,]+) sources? "
            r"by ([\d,]+) dogs?",
            whole,
        ),
        (r"find or miss in ([\d,]+) unassisted hide trials?", {(find["n"],)}),
        (
            r"([\d,]+) finds?, ([\d,]+) sources?, ([\d,]+) dogs?\.",
            {(search["finds"], search["sources"], search["dogs"])},
        ),
        (r"Of ([\d,]+) sources followed", {(life["sources"],)}),
        (
            r"([\d,]+) refrigerated sources? against ([\d,]+) frozen",
            {_both(told.results["compare"]["sources"])}
            | {_both(k["sources"]) for k in told.results["compare"]["by_kind"]},
        ),
    ]
    for pattern, allowed in patterns:
        for where, text in told.texts.items():
            for said in re.findall(pattern, text):
                parts = (said,) if isinstance(said, str) else said
                if tuple(int(p.replace(",", "")) for p in parts) not in allowed:
                    yield f"{where} counts {said}, results.json {sorted(allowed)}"
    for group in ("dogs", "sources"):
        entries = (told.results["dogs"] or {}).get(group) or ()
        if entries and sum(e["trials"] for e in entries) != find["n"]:
            yield f"the trials of all {group} do not add up to {find['n']}"
    if life["by_group"] and sum(g["events"] for g in life["by_group"].values()) > life["events"]:
        yield "more sources met the rule in the groups than in all"


def _both(sources: dict[str, int]) -> tuple[int, ...]:
    return sources.get("refrigerated", 0), sources.get("frozen", 0)


def one_number_one_rounding(told: Telling) -> Found:
    """A number told in several places is told alike."""
    patterns = {
        "the crossing by cycles": r"(?:(?:below|falls to) \S+ in 100 at about|falls below that at) "
        r"([\d.,]+) cycles?",
        "false alerts an hour": r"([\d.]+) false alerts an hour",
        "the share of blank areas": r"drew a false alert \(([\d.]+) %",
        "the difference in storage": r"have given about ([\d.]+ (?:more|fewer)) finds?",
        "finds in all trials as run": r"against (\d+) in 100 in all trials as run",
        "cycles and age": r"correlation (0\.\d+|−0\.\d+) between",
    }
    for name, pattern in patterns.items():
        said = {where: set(re.findall(pattern, text)) for where, text in told.texts.items()}
        every = set().union(*said.values())
        if len(every) > 1:
            yield f"{name}: {dict((k, sorted(v)) for k, v in said.items() if v)}"
    retire = told.results["retire"]
    for estimate in re.findall(patterns["the crossing by cycles"], told.everywhere):
        by = next((t for t in [retire, *retire["also"]] if t["by"] == "cycles"), None)
        if by is None or abs(by["estimate"] - float(estimate.replace(",", ""))) > 0.51:
            yield f"a crossing at {estimate} cycles, results.json {by and by['estimate']}"
    now = retire["present_practice"]
    as_run = re.search(patterns["finds in all trials as run"], told.everywhere)
    if as_run and now and as_run.group(1) != str(of_100(now["find_probability"])):
        yield f"{as_run.group()!r}, results.json {now['find_probability']}"


def headline_is_one(told: Telling) -> Found:
    """The same headline over page, terminal and results.json."""
    title = told.results["which_predicts"]["title"]
    for where in ("page", "fit"):
        if title not in told.texts[where]:
            yield f"{where} has another headline than {title!r}"


def verdict_and_tests(told: Telling) -> Found:
    """The verdict against its tests, and what is still allowed against the words."""
    which, alpha = told.results["which_predicts"], told.results["settings"]["alpha"]
    verdict, joint = which["verdict"], which["joint_p"]
    if verdict in _CHANGES and joint is not None and joint >= alpha:
        yield f"{verdict!r} with p {joint} for cycles and age together"
    if verdict == "no change detected" and joint is not None:
        unsure = re.search("sure enough to tell|No common change|cannot say", which["title"])
        if joint < alpha and not unsure:
            yield f"{which['title']!r} with p {joint} for cycles and age together"
        if joint >= alpha and "beyond chance, but no change" in which["sentence"]:
            yield f"something changes beyond chance, with p {joint}"
    if verdict == "no change detected":
        falls = which["largest_fall_points"].values()
        allowed = {str(max(ceil(fall - 1e-9), 1)) for fall in falls}
        for said in re.findall(r"([\d,]+) in 100 per (?:10 cycles|year of age)", which["sentence"]):
            if said not in allowed:
                yield f"a fall of up to {said}, results.json {sorted(allowed)}"
        large = max(falls, default=0.0) >= 15.0
        if not large and "do not rule out a large one" in told.everywhere:
            yield "a large fall is not ruled out, and the largest allowed is small"
    again = which["asked_again"]
    if again and again["stands"] is not None:
        stands = "the verdict would stand." in again["sentence"]
        if stands is not again["stands"] and verdict in _CHANGES:
            yield f"asked again: {again['sentence']!r}, results.json {again['stands']}"


def other_ways_of_asking(told: Telling) -> Found:
    """The main estimate goes the way of the headline, and which way is said once."""
    which = told.results["which_predicts"]
    for exposure, found in (told.results["find"]["agreement"] or {}).items():
        if found is None or (which["shape"] or {}).get(exposure) is None:
            continue
        way = "rise" if found["rising"] else "fall"
        other = "fall" if found["rising"] else "rise"
        noun = "freeze/thaw cycles" if exposure == "cycles" else "age"
        if found["clear"] and re.search(rf"Finds {other}s? with {noun}", which["title"]):
            yield f"{which['title']!r}, and asked in other ways finds {way}"


def watch_and_names(told: Telling) -> Found:
    """Charts past their limit are counted as they are named; dogs stand by name."""
    watch = told.results["watch"]
    past = {p["name"] for p in watch["past"]}
    said = re.search(r"^(\d+) of [\d,]+ charts? passed", watch["sentence"] or "")
    if (int(said.group(1)) if said else 0) != len(past):
        yield f"{watch['sentence']!r}, and past are {sorted(past)}"
    alerts = [d["dog"] for d in told.results["false_alerts"]["by_dog"]]
    dogs = [d["name"] for d in (told.results["dogs"] or {}).get("dogs") or ()]
    for names in (alerts, dogs):
        if any(b < a for a, b in pairwise(names)):
            yield f"dogs are ranked: {names}"


CHECKS: tuple[Callable[[Telling], Found], ...] = (
    direction_of_headline,
    change_and_limit,
    one_limit,
    no_limit_over_a_table,
    advice_and_evidence,
    one_advice,
    left_past_the_limit,
    rising_and_left,
    counts_of_the_shelf,
    side_findings,
    no_change_shows,
    suspects_and_verdict,
    kinds_and_sources,
    loss_and_chance,
    told_by_what_is_named,
    one_p_value,
    storage_compared,
    counts_of_trials,
    one_number_one_rounding,
    headline_is_one,
    verdict_and_tests,
    other_ways_of_asking,
    watch_and_names,
)
