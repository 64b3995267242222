"""Rows as a person types them on the sheets of the week, by what each sheet asks."""

from kitplan.read.round_sheets import Row


def came(row, order, item, packs, loose, pack=None, expires=None, lot="", **more):
    """A line of Receive."""
    return Row(row, item, order, packs, loose, pack, expires, lot, **more)


def seen(row, item, packs, loose, pack=None, **more):
    """A line of Count."""
    return Row(row, item, packs=packs, loose_units=loose, pack=pack, **more)


def kits_seen(design, kits):
    """Built kits of one design on the shelf, on Count."""
    return Row(0, packs=kits, design=design)


def answered(row, no, right, packs, loose):
    """A line of Questions."""
    return Row(row, no=no, right=right, packs=packs, loose_units=loose)


def bought(row, order, item, packs):
    """A line of Order."""
    return Row(row, item, order, ordered=packs)


def kit_row(row, design, built, kit, moved_to, item="", units=0):
    """A line of Build kits."""
    return Row(row, item, design=design, built=built, kit=kit, moved_to=moved_to, units=units)
