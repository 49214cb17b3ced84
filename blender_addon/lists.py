"""The panel's lists: seams, what a seam stops at, joints, pieces and builds.

Each says by icon and by word how things stand.
"""

import bpy

from . import redraw
from . import scene as ours

ICONS = {"holds": "CHECKMARK", "weak": "ERROR", "plain": "MESH_PLANE"}
"""How a joint is, by the words that stand beside them."""

SEAM_ICONS = {**ICONS, "unsized": "QUESTION", "misses": "CANCEL", "no line": "CANCEL"}
"""How a seam is: as its joints are, or that there is nothing to part."""

PIECE_ICONS = {"fits": "CHECKMARK", "misfit": "CANCEL", "old": "ERROR"}
"""How a piece is: whether it fits the printer, or was made of what has been changed since."""

_of_seams: dict[str, str] = {}
_of_pieces: dict[str, str] = {}
"""How each is, by its name, as of when the list began to be drawn."""


def note_seams(context, figure):
    """Find how the figure's seams are, once for all rows; returns it by their names."""
    settings = context.scene.seamwright
    sized: dict[str, list[str]] = {}
    if settings.joints and settings.joints_mark == redraw.mark_of(figure, context.scene):
        for joint in settings.joints:
            sized.setdefault(joint.seam, []).append(joint.state)
    amiss = _amiss()
    _of_seams.clear()
    for seam in redraw.seams_of(figure, context.scene):
        found = sized.get(seam.name, [])
        worst = next((word for word in ("weak", "holds", "plain") if word in found), "unsized")
        _of_seams[seam.name] = amiss.get(seam.name, worst)
    return dict(_of_seams)


def _amiss():
    """Seams that are known to part nothing, by their names, and the word for it."""
    live = ours.loaded("live")
    if live is None:
        return {}
    found = {name: "no line" for name, kept in live.lines_now().items() if kept.said}
    section = live.section_now()
    if section is not None and not len(section.taken):
        found[section.key[0]] = "misses"
    return found


def note_pieces(context, figure):
    """Find how the figure's pieces are, once for all rows; returns it by their names."""
    settings = context.scene.seamwright
    is_new = settings.pieces_mark == redraw.mark_of(figure, context.scene)
    _of_pieces.clear()
    for piece in redraw.pieces_of(figure, context.scene):
        now = "misfit" if piece.seamwright.misfit else "fits"
        _of_pieces[piece.name] = now if is_new else "old"
    return dict(_of_pieces)


def has_pieces(context, figure):
    """Whether the figure's pieces are made, as everything is now."""
    mark = context.scene.seamwright.pieces_mark
    return bool(mark and figure) and mark == redraw.mark_of(figure, context.scene)


def piece_states(context, figure):
    """How many pieces there are, how many of them do not fit, and how many are printed."""
    groups = [piece.seamwright for piece in redraw.pieces_of(figure, context.scene)]
    if not has_pieces(context, figure):
        # Whether they would fit now is not known.
        return len(groups), 0, sum(group.printed for group in groups)
    misfits = sum(bool(group.misfit) for group in groups)
    return len(groups), misfits, sum(group.printed for group in groups)


class _Objects:
    """A list of some of the scene's objects, in an order of ours."""

    def filter_items(self, context, data, name):
        objects = getattr(data, name)
        places = {obj: place for place, obj in enumerate(self.rows(context))}
        words = self.filter_name.lower()
        flags, order, rest = [], [], len(places)
        for obj in objects:
            shown = obj in places and words in obj.name.lower()
            flags.append(self.bitflag_filter_item if shown else 0)
            order.append(places.get(obj, rest))
            rest += obj not in places
        return flags, order


class SEAMWRIGHT_UL_seams(_Objects, bpy.types.UIList):
    """The figure's seams in their order."""

    bl_idname = "SEAMWRIGHT_UL_seams"

    def rows(self, context):
        figure = ours.chosen_figure(context)
        return redraw.seams_of(figure, context.scene) if figure else []

    def draw_item(
        self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0
    ):
        split = layout.row(align=True).split(factor=0.5, align=True)
        kind = "CURVE_DATA" if ours.is_line(item) else "MESH_PLANE"
        split.prop(item, "name", text="", emboss=False, icon=kind)
        row = split.row(align=True)
        state = _of_seams.get(item.name, "unsized")
        row.label(text=state, icon=SEAM_ICONS[state])
        row.prop(item, "hide_viewport", text="", emboss=False)


class SEAMWRIGHT_UL_stops(_Objects, bpy.types.UIList):
    """All seams but the active one, each with a tick if the active one stops at it."""

    bl_idname = "SEAMWRIGHT_UL_stops"

    def rows(self, context):
        figure, active = ours.chosen_figure(context), redraw.active_seam(context)
        seams = redraw.seams_of(figure, context.scene) if figure else []
        return [seam for seam in seams if seam != active]

    def draw_item(
        self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0
    ):
        active = redraw.active_seam(context)
        stops = [stop.seam for stop in active.seamwright.stops_at] if active else []
        ticked = "CHECKBOX_HLT" if item in stops else "CHECKBOX_DEHLT"
        row = layout.row(align=True)
        row.alignment = "LEFT"
        row.operator(
            "seamwright.stop_at", text=item.name, icon=ticked, emboss=False
        ).name = item.name


class SEAMWRIGHT_UL_joints(bpy.types.UIList):
    """Joints in the order of their letters."""

    bl_idname = "SEAMWRIGHT_UL_joints"

    def draw_item(
        self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0
    ):
        row = layout.row(align=True)
        # In shares of the row: letter 0.1, seam 0.23, kind 0.3, and how it holds, whose word is to
        # be read in a narrow panel too.
        split = row.split(factor=0.1, align=True)
        split.label(text=item.name)
        split = split.split(factor=0.255, align=True)
        split.label(text=item.seam)
        split = split.split(factor=0.45, align=True)
        split.label(text=item.kind)
        split.label(text=item.state, icon=ICONS[item.state])


class SEAMWRIGHT_UL_pieces(_Objects, bpy.types.UIList):
    """The figure's pieces from the ground up."""

    bl_idname = "SEAMWRIGHT_UL_pieces"

    def rows(self, context):
        figure = ours.chosen_figure(context)
        return redraw.pieces_of(figure, context.scene) if figure else []

    def draw_item(
        self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0
    ):
        group = item.seamwright
        row = layout.row(align=True)
        # In shares of the row, so that all is read in a narrow panel too.
        split = row.split(factor=0.3, align=True)
        split.label(text=ours.piece_label(item))
        split = split.split(factor=0.47, align=True)
        state = _of_pieces.get(item.name, "old")
        split.label(text=state, icon=PIECE_ICONS[state])
        row = split.row(align=True)
        if group.printed:
            row.label(text="done")
        elif group.build:
            row.label(text=f"build {group.build}")
        else:
            row.label(text="")
        printed = "CHECKBOX_HLT" if group.printed else "CHECKBOX_DEHLT"
        row.prop(group, "printed", text="", emboss=False, icon=printed)


class SEAMWRIGHT_UL_builds(bpy.types.UIList):
    """Builds in printing order, with what each takes."""

    bl_idname = "SEAMWRIGHT_UL_builds"

    def draw_item(
        self, context, layout, data, item, icon, active_data, active_property, index=0, flt_flag=0
    ):
        split = layout.row(align=True).split(factor=0.12, align=True)
        split.label(text=f"{item.number}.")
        split = split.split(factor=0.4, align=True)
        split.label(text=item.printer)
        split = split.split(factor=0.5, align=True)
        split.label(text=item.time)
        split.label(text=item.material)


CLASSES = (
    SEAMWRIGHT_UL_seams,
    SEAMWRIGHT_UL_stops,
    SEAMWRIGHT_UL_joints,
    SEAMWRIGHT_UL_pieces,
    SEAMWRIGHT_UL_builds,
)
