"""Bedside kits for the coordinator and the bedside: which kit, how many to build, what lies in each and why."""

from __future__ import annotations

from kitplan.parts.kits.model import KitPlan
from kitplan.parts.kits.tables import kit_lookup, served_lines
from kitplan.planning import Plan
from kitplan.read.values import Unit
from kitplan.write.book import Book, Page
from kitplan.write.shelf import role_title

LOOKUP_TITLE, KITS_TITLE = "Which kit", "Kits"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the look-up that a nurse reads, and the kits to build with their contents."""
    kits: KitPlan = plan.kits
    _add_lookup(book, plan, kits)
    _add_kits(book, plan, kits)


def _add_lookup(book: Book, plan: Plan, kits: KitPlan) -> None:
    lookup = kit_lookup(kits.strata, plan.unit)
    widths = (16, *[max(22, 66 // len(lookup.routes))] * len(lookup.routes))
    page = book.page(LOOKUP_TITLE, "Which bedside kit for which size: size down, route across", widths, landscape=False)
    page.title("Which kit?", f"{plan.unit.words.device.capitalize()} size down, route across. The letter is the kit.")
    page.header((lookup.heading, *(r.capitalize() for r in lookup.routes)), ["tick"] * len(widths), frozen_columns=1)
    for size in lookup.sizes:
        cells = [lookup.cells.get((size, route), ("–",)) for route in lookup.routes]
        kinds = ["huge" if len(lines) == 1 else "large" for lines in cells]
        row = page.row((size, *("\n".join(lines) for lines in cells)), ("large", *kinds))
        most = max(len(lines) for lines in cells)
        page.points(row, 34 if most == 1 else 20 + 17 * most)
    page.skip()
    page.spread(_not_on_list(plan.unit), "wrap")


def _not_on_list(unit: Unit) -> str:
    """What to do with a size that no kit was planned for; it names what is sized to the patient, where anything is."""
    held = [r for name in unit.strata["route"].unique() for r in unit.route(name).emergency]
    roles = [role_title(role).lower() for role in dict.fromkeys(held)]
    if not roles:
        return ("A size that is not on this list: use the kit of the nearest size, and tell the coordinator. Check "
                "what lies in it with your own eyes.")
    named = " and ".join(filter(None, (", ".join(roles[:-1]), roles[-1])))
    return (f"A size that is not on this list: use the kit of the nearest size whose {named} fit the patient, and tell "
            f"the coordinator. Check {named} with your own eyes.")


def _add_kits(book: Book, plan: Plan, kits: KitPlan) -> None:
    page = book.page(KITS_TITLE, "How many kits to build for the week ahead, and what lies in each",
                     (6, 24, 40, 12, 12, 12, 50))
    policy = plan.unit.bedside
    page.title(
        "Bedside kits",
        f"One kit lasts {policy.restock_hours:g} hours with {100 * policy.readiness:.0f} % chance. Count what is built "
        "already and build the difference.")
    _builds(page, plan, kits)
    page.spread(f"A full kit goes to each {plan.unit.words.one} that arrives. A restock set replaces what one "
                f"{plan.unit.words.act} used. The "
                f"numbers are enough for the week ahead with {100 * policy.readiness:.0f} % chance.", "note")
    page.skip()
    page.spread("What lies in each kit: single items, not packs. EM: emergency set, never left out.", "strong")
    titles = {name: t.title for name, t in plan.unit.techniques.items()}
    kinds = ("strong", "text", "wrap", "whole", "money", "litres", "wrap")
    page.header(("", "Item", "Description", "Single items", f"Value ({book.currency})", "Volume", "Because"), kinds)
    for design, rows in kits.contents.groupby("design", sort=False):
        page.keep_together(len(rows) + 2)
        page.group((f"Kit {design}: serves {'; '.join(served_lines(kits.strata, str(design), titles))}",))
        for row in rows.itertuples():
            mark = "EM" if row.emergency == "yes" else None
            page.row((mark, row.item, row.description, row.quantity, row.value, row.litres, row.because), kinds)
        page.total((None, f"Kit {design}", None, int(rows["quantity"].sum()), float(rows["value"].sum()),
                    float(rows["litres"].sum()), None), kinds)


def _builds(page: Page, plan: Plan, kits: KitPlan) -> None:
    """How many full kits and restock sets to have ready."""
    kinds = ("text", "strong", "wrap", "whole", "whole", "whole", "wrap")
    page.header(("", "To build", "", "Full kits", "Restock sets", f"{plan.unit.words.acts.capitalize()} a kit",
                 "Because"), kinds, freeze=False)
    for row in kits.builds.itertuples():
        because = (f"{row.mean_arrivals:.1f} arrivals and {row.mean_top_up_sets:.1f} restocks expected; "
                   f"{row.at_bedsides:.1f} at bedsides")
        page.row((None, f"Kit {row.design}", None, row.build, row.top_up_sets, row.re_secures, because), kinds)
