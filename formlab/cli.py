"""The command line: parse, call, print. Exit codes: 0 done, 1 the input has problems, 2 the call is wrong.

Heavy imports stand inside the commands, so that ``--help`` is quick.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    parser = _parser()
    args = parser.parse_args(argv)
    if args.command is None:
        parser.print_help()
        return 2
    import warnings

    from formlab.errors import FormlabError, FormlabWarning

    shown = warnings.showwarning

    def said(message: Any, *place: Any, **more: Any) -> None:
        if isinstance(message, FormlabWarning):  # its words alone, not where in the code it comes from
            print(f"formlab: {message}", file=sys.stderr)
        else:
            shown(message, *place, **more)

    try:
        with warnings.catch_warnings():
            warnings.showwarning = said
            return int(args.run(args) or 0)
    except FormlabError as error:
        if args.json:
            _print_json({"error": str(error), "problems": [vars(problem) for problem in error.problems]})
        else:
            print(f"formlab: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        print("formlab: stopped; nothing half done was saved.", file=sys.stderr)
        return 130


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="formlab",
        description="Few, telling trials for moulded rubber erasers: plan, weigh, fit, choose, confirm.",
    )
    parser.add_argument("--version", action="version", version=_version())
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    def command(name: str, run: Any, text: str, folder: bool = True) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text)
        if folder:
            sub.add_argument("folder", type=Path, help="the series folder")
        sub.add_argument("--json", action="store_true", help="print JSON instead of words")
        sub.set_defaults(run=run)
        return sub

    def history(sub: argparse.ArgumentParser) -> None:
        sub.add_argument(
            "--history",
            action="store_true",
            help="with the earlier trials of history.csv, as a block of their own",
        )

    def laid(sub: argparse.ArgumentParser, batches: str) -> None:
        sub.add_argument("--days", type=int, help=f"days that {batches} are spread over")
        sub.add_argument("--blocks", type=int, help=f"blocks that {batches} are spread over")
        sub.add_argument(
            "--order",
            choices=["random", "trend"],
            default="random",
            help="of the run: random, or nearly free of time trends",
        )

    command("new", _new, "Start a series: write a folder with a brief that already runs.")
    command("check", _check, "Read everything in the folder and list what is wrong with it.")
    plan = command("plan", _plan, "Lay out trials and save plan.csv.")
    plan.add_argument("--runs", type=int, help="number of slabs; proposed where left out")
    plan.add_argument("--kind", default="optimal", help="optimal, lattice, centroid, vertices, factorial, "
                      "screening, composite, box-behnken, spread")  # fmt: skip
    plan.add_argument("--criterion", default="I", choices=["D", "A", "I"], help="for kind optimal")
    plan.add_argument("--batches", type=int, help="number of mill batches the slabs are cut from")
    plan.add_argument("--loads", type=int, help="number of press loads")
    plan.add_argument("--finals", nargs="+", default=[], metavar="NAME",
                      help="ingredients added to the parts of split base mixings, which hold all others")  # fmt: skip
    plan.add_argument("--bases", type=int, help="number of base mixings, with --finals")
    laid(plan, "the batches")
    plan.add_argument("--outside", default="error", choices=["error", "move", "drop"],
                      help="what to do with points of a textbook plan that break a limit (error)")  # fmt: skip
    plan.add_argument("--seed", type=int, default=1)
    plan.add_argument("--workers", type=int, default=1, help="processes that share the search (1)")
    longer = command(
        "extend", _extend, "Add the trials that tell most beside those made or planned, for today's brief."
    )
    longer.epilog = "example: formlab extend my_block --runs 8 --failed B07   (the sheets of B07 were lost)"
    longer.add_argument("--runs", type=int, help="number of new slabs; as many as were lost, or proposed")
    longer.add_argument("--criterion", choices=["D", "A", "I"], default="I", help="what is made best (I)")
    longer.add_argument("--batches", type=int, help="number of mill batches the new slabs are cut from")
    laid(longer, "the new batches")
    history(longer)
    longer.add_argument("--failed", nargs="+", default=[], metavar="NAME",
                        help="trials or batches that tell nothing, beside those whose status says so")  # fmt: skip
    longer.add_argument("--seed", type=int, default=1)
    longer.add_argument("--workers", type=int, default=1, help="processes that share the search (1)")
    cards = command(
        "cards",
        _cards,
        "Write weigh-up cards, cure cards and test sheets to print, below out/cards, each later round in a folder of its own.",
    )
    cards.add_argument("--round", type=int, help="only the batches of this round")
    cards.add_argument(
        "--batch-kg", type=float, help="size of every batch; else what site.toml or the brief says"
    )
    cards.add_argument("--seed", type=int, default=1, help="of codes and order of test")
    form = command("form", _form, "Write the form for results, out/results_form.xlsx.")
    form.add_argument("--round", type=int, help="only the trials of this round")
    load = command("load", _load, "Check a results file (CSV or XLSX) and take it into the series.")
    load.add_argument("file", type=Path)
    load.add_argument("--sheet", help="sheet of a workbook")
    load.add_argument("--check", action="store_true", help="list what is wrong with the file; save nothing")
    load.add_argument("--repair", action="store_true", help="make the harmless repairs, and record them")
    load.add_argument(
        "--replace", action="store_true", help="let new values replace those that were loaded before"
    )
    load.add_argument("--who", default="", help="name for the journal")
    undo = command("undo", _undo, "Take back the last load of results.")
    undo.add_argument("--who", default="", help="name for the journal")
    settle = command("settle", _settle, "Say what becomes of a file that was changed outside formlab.")
    settle.add_argument("file", choices=["plan.csv", "results.csv", "journal.jsonl"])
    settle.add_argument("action", choices=["accept", "restore"])
    settle.add_argument("--who", default="", help="name for the journal")
    journal = command("journal", _journal, "Show what was done to the series, or the history of one cell.")
    journal.add_argument("cell", nargs="*", help="trial and column, for the history of that cell")
    fit = command("fit", _fit, "Fit a surface to every response and say how far to trust it.")
    fit.add_argument("--kind", default="auto", help="auto, least squares, averaged, gaussian process")
    fit.add_argument("--responses", nargs="+", metavar="NAME", help="only these responses")
    history(fit)
    fit.add_argument("--workers", type=int, default=1, help="processes that share the responses (1)")
    fit.add_argument("--seed", type=int, default=1)
    suggest = command("suggest", _suggest, "Find the formula that does best what is asked.")
    aim = suggest.add_mutually_exclusive_group()
    aim.add_argument("--minimise", help="cost_per_kg, cost_per_litre, cost_per_piece")
    aim.add_argument("--maximise", help="desirability, conformance, or a response")
    suggest.add_argument("--confidence", type=float, help="required probability, 0 to 1 (0.90)")
    suggest.add_argument("--of", default="true_mean", choices=["true_mean", "new_batch", "accepted"])
    suggest.add_argument("--premium", type=float, default=0.01,
                         help="share of the least cost that may buy more certainty (0.01)")  # fmt: skip
    suggest.add_argument(
        "--promise", action="store_true", help="keep what is claimed in the journal, to be scored"
    )
    suggest.add_argument("--scenario", help="column of prices.csv to use")
    suggest.add_argument("--batch-kg", type=float, help="also print the weigh-up of a batch of this mass")
    suggest.add_argument("--kind", default="auto", help="kind of surface, as for fit")
    history(suggest)
    suggest.add_argument("--workers", type=int, default=1, help="processes that share the responses (1)")
    suggest.add_argument("--seed", type=int, default=1)
    further = command("next", _next, "Choose the few trials that would teach most where the decision falls.")
    further.add_argument("--count", type=int, default=4, help="number of batches (4)")
    further.add_argument("--slabs", type=int, default=1, help="slabs of each batch (1)")
    further.add_argument("--kind", default="auto", help="kind of surface, as for fit")
    history(further)
    further.add_argument("--workers", type=int, default=1, help="processes that share the responses (1)")
    further.add_argument("--seed", type=int, default=1)
    further.add_argument("--save", action="store_true", help="append them to plan.csv")
    confirm = command(
        "confirm",
        _confirm,
        "Make batches of the formula that was promised last, and say whether it kept its word.",
    )
    confirm.epilog = (
        "example: formlab suggest my_block --promise; formlab confirm my_block --batches 3 --save; and once they are "
        "loaded: formlab confirm my_block"
    )
    confirm.add_argument("--batches", type=int, help="lay out so many batches of it")
    confirm.add_argument("--slabs", type=int, help="slabs of each batch; what the brief's plant cuts")
    confirm.add_argument("--save", action="store_true", help="append them to plan.csv")
    confirm.add_argument("--kind", help="kind of surface, as for fit; that of the promise")
    history(confirm)
    confirm.add_argument("--workers", type=int, default=1, help="processes that share the responses (1)")
    confirm.add_argument("--seed", type=int, default=1)
    report = command("report", _report, "Write the whole job as one page to read or print, out/report.html.")
    report.add_argument("--kind", default="auto", help="kind of surface, as for fit")
    history(report)
    report.add_argument("--confidence", type=float, help="required probability, 0 to 1 (0.90)")
    report.add_argument("--seed", type=int, default=1)
    panel = command("panel", _panel, "Open the what-if panel as a page of its own in the browser.")
    panel.add_argument("--kind", default="auto", help="kind of surface, as for fit")
    history(panel)
    panel.add_argument("--seed", type=int, default=1)
    panel.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (127.0.0.1: this machine alone)"
    )
    panel.add_argument("--port", type=int, default=0, help="any free one where left out")
    panel.add_argument("--dark", action="store_true", help="light on dark")
    panel.add_argument("--no-browser", action="store_true", help="print the address and open nothing")
    rehearse = command("rehearse", _rehearse, "Simulate the whole job many times before anything is milled.")
    rehearse.add_argument("--batches", type=int, nargs="+", default=[12, 18, 24], help="numbers to compare")
    rehearse.add_argument("--planned", action="store_true", help="rehearse the plan in the folder instead")
    rehearse.add_argument("--guesses", type=Path, metavar="FILE",
                          help="guessed effects (CSV or XLSX): a line a response, a column a factor, in each cell what "
                          "the response changes by from the factor's low end to its high end, in its unit; a column "
                          "'centre' for its value in the middle. Example: response,centre,oil,chalk / "
                          "hardness,45 Shore A,-12,8 / smear,,6,")  # fmt: skip
    rehearse.add_argument("--runs", type=int, default=40, help="simulated plants for each (40)")
    rehearse.add_argument("--workers", type=int, default=1)
    rehearse.add_argument("--seed", type=int, default=1)
    demo = command("demo", _demo, "Do the whole job on the invented demo trials.", folder=False)
    demo.add_argument("--folder", type=Path, help="where the demo series stand or are to be made")
    return parser


def _version() -> str:
    from formlab import __version__

    return f"formlab {__version__}"


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, default=_plain, ensure_ascii=False))


def _plain(value: Any) -> Any:
    if hasattr(value, "to_dict"):
        return value.to_dict("records") if value.ndim == 2 else value.to_dict()
    if hasattr(value, "tolist"):
        return value.tolist()
    return str(value)


def _show(title: str, frame: Any) -> None:
    from formlab.html import number

    print(f"\n{title}")
    text = frame.to_string(index=False, float_format=lambda v: number(v, 4), na_rep="")
    print("\n".join("  " + line for line in text.splitlines()))


# ---- commands -------------------------------------------------------------------------------------


def _new(args: argparse.Namespace) -> int:
    from formlab.demo import first_brief
    from formlab.series import create_series

    series = create_series(args.folder, first_brief(args.folder.resolve().name))
    if args.json:
        _print_json({"folder": str(series.path), "brief_id": series.brief.brief_id})
        return 0
    print(f"{series.path}/brief.toml holds an invented brief that already runs. Make it yours, then:")
    print(f"  formlab check {args.folder}\n  formlab plan {args.folder}")
    return 0


def _check(args: argparse.Namespace) -> int:
    from formlab.html import counted, headed
    from formlab.region import Region
    from formlab.series import open_series

    series = open_series(args.folder)
    region = Region.from_brief(series.brief).check()
    trials = series.trials() if series.has_plan else None
    planned = series.plan_frame()["trial"].nunique() if series.has_plan else 0
    if trials is not None:  # lines of what failed or is pending hold no reading
        trials = trials[trials[series.brief.response_names].notna().any(axis=1)]
    read, readings = (0, 0) if trials is None else (trials["trial"].nunique(), len(trials))
    brief, today = series.brief, series.brief.baseline
    dark = [p.name for p in brief.ingredients if p.price is None or p.density is None]
    remarks = [f"there are no costs without price and density of {', '.join(dark)}"] if dark else []
    outside = "" if today is None else region.why_outside(today)[0]
    remarks += [f"today's formula lies outside what is allowed: {outside}"] if outside else []
    scenarios = list(series.prices().columns)
    facts = {
        "brief": str(brief),
        "region": str(region),
        "notices": series.notices,
        "remarks": remarks,
        "planned": planned,
        "trials": read,
        "readings": readings,
        "scenarios": scenarios,
    }
    if args.json:
        _print_json({**facts, "implied_ranges": region.implied_ranges().reset_index()})
        return 0
    print(f"brief: {facts['brief']}\nregion: {facts['region']}")
    print(f"trials: {planned} planned, {read} read ({counted(readings, 'reading')})")
    if scenarios:
        print(f"prices: {counted(len(scenarios), 'scenario')} ({', '.join(scenarios)})")
    for remark in remarks:
        print(f"remark: {remark}")
    _show("What the limits leave of each range", headed(region.implied_ranges().reset_index()))
    return 0


def _plan(args: argparse.Namespace) -> int:
    from formlab.plans import lay_out
    from formlab.series import open_series

    series = open_series(args.folder)
    plan = lay_out(series.brief, runs=args.runs, kind=args.kind, criterion=args.criterion,
                   batches=args.batches, loads=args.loads, finals=args.finals, bases=args.bases, days=args.days,
                   blocks=args.blocks, order=args.order, outside=args.outside,
                   seed=args.seed, n_jobs=args.workers)  # fmt: skip
    series.save_plan(plan)
    if args.json:
        _print_json({"plan": plan.frame, "notes": plan.notes})
        return 0
    print(plan)
    columns = [
        c for c in plan.frame.columns if c not in series.brief.fixed and c not in ("brief_id", "round")
    ]
    _show(f"Saved in {series.path / 'plan.csv'}", plan.frame[columns])
    print(f"\n{plan.takes}\n\n{plan.judge()}")
    return 0


def _extend(args: argparse.Namespace) -> int:
    from formlab.plans import Plan, extend
    from formlab.series import open_series

    series = open_series(args.folder)
    plan = extend(series.trials(history=args.history, unread=True), series.brief, runs=args.runs,
                  criterion=args.criterion, batches=args.batches, days=args.days, blocks=args.blocks, order=args.order, failed=args.failed, seed=args.seed,
                  n_jobs=args.workers)  # fmt: skip
    series.save_plan(plan)
    new = plan.frame[plan.frame["round"] == plan.frame["round"].max()].dropna(axis=1, how="all")
    if args.json:
        _print_json({"trials": new, "notes": plan.notes})
        return 0
    print(plan)
    columns = [c for c in new if c not in (*series.brief.fixed, "brief_id", "round")]
    _show(f"Added to {series.path / 'plan.csv'}, round {new['round'].iloc[0]}", new[columns])
    print(f"\n{Plan.from_frame(series.brief, new).takes}\n\n{plan.judge()}")
    return 0


def _cards(args: argparse.Namespace) -> int:
    from formlab.cards import make_cards
    from formlab.cards.batches import rounds_of
    from formlab.series import open_series

    series = open_series(args.folder)
    site = _site(series)
    plan, paths = series.plan_frame(), []
    rounds = sorted(set(rounds_of(plan)))
    for number in rounds if args.round is None else [args.round]:
        cards = make_cards(series.brief, plan, site, batch_kg=args.batch_kg, round=number, seed=args.seed)
        folder = "cards" if number == rounds[0] else f"cards/round_{number}"
        paths += [series.write_out(f"{folder}/{name}", page) for name, page in cards.items()]
    return _written(args, paths)


def _form(args: argparse.Namespace) -> int:
    from formlab.cards import results_form
    from formlab.cards.batches import rows_of_round
    from formlab.series import open_series

    series = open_series(args.folder)
    plan = series.plan_frame()
    form = results_form(series.brief, plan if args.round is None else rows_of_round(plan, args.round))
    paths = series.write_form(form)
    if len(paths) > 1 and not args.json:
        print(f"The form that was there holds readings that are not loaded; it is kept as {paths[1]}.")
    return _written(args, paths)


def _written(args: argparse.Namespace, paths: list[Path]) -> int:
    if args.json:
        _print_json({"written": [str(path) for path in paths]})
    else:
        print("\n".join(str(path) for path in paths))
    return 0


def _load(args: argparse.Namespace) -> int:
    from formlab.series import open_series

    series = open_series(args.folder)
    if args.check:
        problems = series.check_results(args.file, sheet=args.sheet)
        if args.json:
            _print_json({"problems": problems})
        elif len(problems):
            _show(f"{args.file.name}", problems.drop(columns="file").astype(object).fillna(""))
            if (problems["repair"] != "").any():
                print("\nHarmless repairs, such as of decimal commas, are made with --repair.")
        else:
            print(f"{args.file.name}: nothing is wrong.")
        return int(len(problems) > 0)
    summary = series.load_results(
        args.file, sheet=args.sheet, repair=args.repair, replace=args.replace, who=args.who
    )
    if args.json:
        _print_json({"summary": str(summary)})
    else:
        print(summary)
    return 0


def _undo(args: argparse.Namespace) -> int:
    from formlab.series import open_series

    done = open_series(args.folder).undo(who=args.who)
    _print_json({"done": done}) if args.json else print(done)
    return 0


def _settle(args: argparse.Namespace) -> int:
    import warnings

    from formlab.series import open_series

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # opening says what this call is about to settle
        series = open_series(args.folder)
    getattr(series, args.action)(args.file, who=args.who)
    done = (
        f"{args.file}: {'changes accepted' if args.action == 'accept' else 'put back as the journal says'}."
    )
    _print_json({"done": done}) if args.json else print(done)
    return 0


def _journal(args: argparse.Namespace) -> int:
    from formlab.errors import SeriesError
    from formlab.series import open_series

    if len(args.cell) not in (0, 2):
        raise SeriesError(f"A cell is a trial and a column; {args.cell} was given. Name both, or neither.")
    series = open_series(args.folder)
    frame = series.cell_history(*args.cell) if args.cell else series.journal()
    _print_json(frame) if args.json else _show("Journal", frame)
    return 0


def _fit(args: argparse.Namespace) -> int:
    from formlab.html import counted
    from formlab.series import open_series
    from formlab.surfaces import fit

    series = open_series(args.folder)
    surfaces = fit(series.brief, series.trials(history=args.history), args.responses, kind=args.kind, seed=args.seed,
                   n_jobs=args.workers)  # fmt: skip
    if args.json:
        _print_json({name: {"summary": s.summary, "coefficients": s.coefficients, "anova": s.anova if s.response.kind == "measure" and s.solution is not None else None,
                            "warnings": s.warnings_} for name, s in surfaces.items()})  # fmt: skip
        return 0
    for surface in surfaces.values():
        print(f"\n{surface}")
    for text in surfaces.failures_:
        print(f"\n{text}")
    if not args.history and (earlier := len(series.history())):
        print(f"\nWithout the {counted(earlier, 'line')} of history.csv; --history takes them in.")
    return 0


def _suggest(args: argparse.Namespace) -> int:
    from formlab.series import open_series
    from formlab.suggest import beside_promised, ledger_of, suggest
    from formlab.surfaces import fit

    series = open_series(args.folder)
    trials, prices = series.trials(history=args.history), _scenario(series, args.scenario)
    surfaces = fit(series.brief, trials, kind=args.kind, seed=args.seed, n_jobs=args.workers)
    ledger = ledger_of(series.brief, series.promises(), trials)
    answer = suggest(
        series.brief, surfaces, minimise=args.minimise, maximise=args.maximise, confidence=args.confidence, of=args.of,
        premium=args.premium, ledger=ledger, prices=prices, seed=args.seed,
    )  # fmt: skip
    beside = beside_promised(
        series.brief, surfaces, answer, series.promises(), trials, prices=prices, seed=args.seed
    )
    if args.promise:
        series.save_promise(answer)
    mass = args.batch_kg or (series.brief.plant.batch_kg if args.json else None)
    weigh_up = _weigh_up(series, answer, mass) if mass else None
    if args.json:
        _print_json({**answer.to_dict(), "beside_promised": beside, "recipe": weigh_up})
        return 0
    print(answer)
    if beside:
        print(f"\n{beside}")
    if weigh_up is not None:
        heads = {"amount": series.brief.amount_unit, "weighed_g": "weigh, g", "resolution_g": "to the nearest, g",
                 "tolerance_g": "within, ± g"}  # fmt: skip
        shown = weigh_up.rename(columns=heads)
        _show(
            f"Weigh-up of {args.batch_kg:g} kg, in order of addition", shown[["ingredient", *heads.values()]]
        )
    _cautions()
    return 0


def _weigh_up(series: Any, answer: Any, batch_kg: float) -> Any:
    """One batch of a suggestion on the scales of the site, as its card would have it; amounts in the brief's unit."""
    from formlab.cards import batches_of

    (batch,) = batches_of(series.brief, answer, _site(series), batch_kg=batch_kg)
    names = {"title": "ingredient", "step_g": "resolution_g"}
    if batch.share_unit:  # the card has phr beside
        names = {**names, "share": "amount", "amount": "phr"}
    columns = ["ingredient", "amount", "planned_g", "weighed_g", "resolution_g", "tolerance_g"]
    return batch.lines.rename(columns=names)[columns]


def _site(series: Any) -> Any:
    from formlab.cards import Site, read_site

    text = series.text("site.toml")
    return Site() if text is None else read_site(text)


def _next(args: argparse.Namespace) -> int:
    from formlab.series import open_series
    from formlab.suggest import next_trials
    from formlab.surfaces import fit

    series = open_series(args.folder)
    trials = series.trials(history=args.history)
    surfaces = fit(series.brief, trials, kind=args.kind, seed=args.seed, n_jobs=args.workers)
    plan = next_trials(
        series.brief,
        surfaces,
        series.trials(history=args.history, unread=True),
        count=args.count,
        slabs=args.slabs,
        seed=args.seed,
    )
    if args.save:
        _append(series, plan)
    if args.json:
        _print_json({"trials": plan.frame, "notes": plan.notes, "saved": args.save})
        return 0
    _show("Next trials" + (", saved in plan.csv" if args.save else ""), plan.told_apart)
    print("\n" + "\n".join([plan.takes, *plan.notes]))
    return 0


def _confirm(args: argparse.Namespace) -> int:

    from formlab.errors import SeriesError
    from formlab.series import open_series
    from formlab.suggest import confirm_promise, confirmation_trials
    from formlab.suggest.promises import batches_of, failures, made_with, promise_words, promised_formula
    from formlab.surfaces import fit

    series = open_series(args.folder)
    brief, promises = series.brief, series.promises()
    if not len(promises):
        raise SeriesError(
            f"No promise is kept in {args.folder}. Keep one first: formlab suggest {args.folder} --promise."
        )
    promise, every = promises.iloc[-1], series.trials(unread=True)
    formula = promised_formula(brief, promise)
    words = promise_words(brief, promise)
    kind, history = made_with(promise)
    kind, history = args.kind or kind, args.history or history
    if args.batches is not None:
        surfaces = fit(brief, series.trials(history=history), kind=kind, seed=args.seed, n_jobs=args.workers)
        plan = confirmation_trials(
            brief, formula, every, args.batches,
            slabs=args.slabs, surfaces=surfaces, seed=args.seed,
        )  # fmt: skip
        if args.save:
            _append(series, plan)
        if args.json:
            _print_json({"promise": promise, "trials": plan.frame, "notes": plan.notes, "saved": args.save})
            return 0
        print(words)
        _show("To confirm" + (", saved in plan.csv" if args.save else ""), plan.told_apart)
        print("\n" + "\n".join([plan.takes, *plan.notes]))
        return 0
    later = batches_of(brief, promise, every)
    if not later[brief.response_names].notna().any(axis=None) and not failures(later):
        planned = list(dict.fromkeys(later["batch"].astype(str)))
        raise SeriesError(
            f"{words} Planned of it are {', '.join(planned)}, and nothing is read yet. Load their results first."
            if planned
            else f"{words} No batch of it is planned yet. Lay some out: formlab confirm {args.folder} --batches 3 --save."
        )
    told = confirm_promise(
        brief,
        promise,
        series.trials(history=history),
        kind=kind,
        seed=args.seed,
        n_jobs=args.workers,
    )
    if args.json:
        _print_json({"promise": promise, "table": told.table, "p_value": told.p_value, "agrees": told.agrees,
                     "updated": told.updated, "verdict": told.verdict})  # fmt: skip
        return 0
    print(f"{words}\n\n{told}")
    return 0


def _append(series: Any, plan: Any) -> None:
    import pandas as pd

    series.save_plan(pd.concat([series.plan_frame(), plan.frame], ignore_index=True))


def _report(args: argparse.Namespace) -> int:
    from formlab.report import report
    from formlab.series import open_series

    series = open_series(args.folder)
    page = report(
        series,
        series.trials(history=True) if args.history else None,
        kind=args.kind,
        confidence=args.confidence,
        seed=args.seed,
    )
    return _written(args, [series.write_out("report.html", page)])


def _panel(args: argparse.Namespace) -> int:
    import signal
    import webbrowser

    from formlab.panel.page import served
    from formlab.series import open_series

    series = open_series(args.folder)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # the server is to end with us
    try:
        with served(series, kind=args.kind, history=args.history, seed=args.seed, host=args.host, port=args.port,
                    dark=args.dark) as (address, server):  # fmt: skip
            if args.json:
                _print_json({"address": address})
            else:
                print(
                    f"The panel is at {address}\nIt fits the surfaces first, which may take a minute. Stop it with Ctrl-C."
                )
            sys.stdout.flush()
            if not args.no_browser:
                webbrowser.open_new_tab(address)
            return int(server.wait())
    except KeyboardInterrupt:  # whenever it comes: being told to stop is how this command ends
        return 0


def _rehearse(args: argparse.Namespace) -> int:
    from formlab.series import open_series, read_guesses
    from formlab.suggest import rehearse

    series = open_series(args.folder)
    effects = None if args.guesses is None else read_guesses(args.guesses, series.brief)
    plan = series.plan() if args.planned else None
    frame = rehearse(
        series.brief,
        effects,
        batches=args.batches,
        plan=plan,
        runs=args.runs,
        n_jobs=args.workers,
        seed=args.seed,
    )
    if args.json:
        _print_json(frame)
        return 0
    about = "the brief's targets" if args.guesses is None else f"what {args.guesses.name} guesses"
    heads = {
        "cost": f"cost ({series.brief.currency} per litre)",
        "trials_cost": f"trials cost ({series.brief.currency})",
    }
    _show(f"How the job would end, over plants drawn about {about}", frame.rename(columns=heads))
    return 0


def _scenario(series: Any, name: str | None) -> dict[str, float] | None:
    from formlab.errors import SeriesError

    if name is None:
        return None
    prices = series.prices()
    if prices is None or name not in prices:
        known = [] if prices is None else [str(c) for c in prices.columns]
        raise SeriesError(f"prices.csv has no scenario {name!r}; choose one of {known}, or add a column.")
    return {str(k): float(v) for k, v in prices[name].dropna().items()}


def _demo(args: argparse.Namespace) -> int:
    from formlab.demo import run_demo

    result = run_demo(args.folder, quiet=args.json)
    if args.json:
        _print_json(result)
    else:
        _cautions()
    return 0


def _cautions() -> None:
    from formlab.cautions import GENERAL

    print(f"\n{GENERAL}")


if __name__ == "__main__":
    raise SystemExit(main())
