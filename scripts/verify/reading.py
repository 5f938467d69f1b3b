"""Reads the checks from outside as the documents now stand: reading.py CHECKS changes the copies in that folder.

Each change names the sentence that came after the checks were written. A copy that says so already is left alone.
"""

import pathlib
import sys

CHANGES = [
    # docs/schema.md, reasons: these were one reason, near_reserve or none, when the checks were written.
    (
        "verify.py",
        '"short_stretch": lambda: True,',
        '"short_stretch": lambda: True, '
        '"near_too_steep": lambda: g.distance(U(geoms("unworked", b, lambda d: d.reason.isin(["too_steep", "steep_edge"])))) < L["edge_distance_m"] + .1, '
        '"near_soft_ground": lambda: g.distance(LEFT(b, "soft_ground")) < L["edge_distance_m"] + .1, '
        '"near_retained_band": lambda: g.distance(U(geoms("zones", b, lambda d: d.kind == "retained_band"))) < L["edge_distance_m"] + .1, '
        '"unknown_slope": lambda: not TER.ok or (b, "unknown") in CELL and g.distance(CELL[b, "unknown"]) < .01,',
    ),
    (
        "verify.py",
        "EDGE = {b:",
        'LEFT = lambda b, why: U(geoms("unworked", b, lambda d: d.reason == why))\nEDGE = {b:',
    ),
    # docs/algorithms.md, Certified buffers: a zone may reach to 1.001 of its width, also where a block's edge lies just at it.
    ("verify.py", "RES, LOOSE = {}, {};", "RES, LOOSE, WIDE = {}, {}, {};"),
    ("verify.py", "RES[b] = shapely.intersection(blk, U(gs));", "RES[b] = shapely.intersection(blk, U(gs)); WIDE[b] = U(gs).buffer(.001 * 60);"),
    ("verify.py", "free = shapely.difference(blk, RES[b]);", "free = shapely.difference(blk, WIDE[b]);"),
    # docs/algorithms.md, Net area and parts: nothing is measured on a crossing, where machines may drive.
    (
        "verify.py",
        "CUT = CUT[CUT.geometry.notna()]; cg = CUT.geometry.values;",
        "CUT = CUT[CUT.geometry.notna()].reset_index(drop=True); OVER = U([g.buffer(.02) for g in ZON[ZON.kind == 'crossing'].geometry])\n"
        "DRIVEN = CUT.what.isin(['line', 'travel']); CUT.loc[DRIVEN, 'geometry'] = shapely.difference(CUT.geometry[DRIVEN].values, OVER)\n"
        "CUT = CUT[~CUT.geometry.is_empty]; cg = CUT.geometry.values;",
    ),
    # docs/algorithms.md, Compliance: what is cut is reached from a line that is driven for its kind.
    (
        "verify.py",
        'ln = {p: U(v.geometry.values) for p, v in gg("strip_lines", b).groupby("part")}; m = 0',
        'ln = {p: U(v.geometry.values) for p, v in gg("strip_lines", b).groupby(["part", "kind"])}; m = 0',
    ),
    (
        "verify.py",
        "if r.part not in ln: far.append",
        "if (r.part, r.kind) not in ln: far.append",
    ),
    (
        "verify.py",
        "d = shapely.distance(pts, ln[r.part]).max(); m = max(m, d)",
        "d = shapely.distance(pts, ln[r.part, r.kind]).max(); m = max(m, d)",
    ),
    # docs/rulebook.md: a line's share may be one of trees, which a measure of ground says nothing of.
    (
        "vlib.py",
        'for k in ("distance", "measured_from"): hit[k]',
        'for k in ("distance", "measured_from", "share_of"): hit[k]',
    ),
    ("vlib.py", "hit[k] = o.get(k, hit[k])", "hit[k] = o.get(k, hit.get(k))"),
    (
        "verify.py",
        'if not fs or l["distance"] == "slope" or',
        'if not fs or l["distance"] == "slope" or l.get("share_of") in ("stems", "basal_area", "volume") or',
    ),
    # docs/exchange.md: settings, outlets, skid trails and decks are exchanged too.
    ("vlib.py", '"findings", "travel")}', '"findings", "travel", "settings", "outlets", "skid_trails", "decks")}'),
    # docs/algorithms.md, Boundary pass: where two settings meet, only the one that is worked first lays a pass.
    (
        "verify.py",
        "n += 1; ed = r.geometry.boundary",
        "n += 1; ed = shapely.difference(r.geometry.boundary, "
        "U([o.geometry.buffer(.02) for o in NET.itertuples() if o.block_id == b and o.part != r.part]))",
    ),
    # docs/algorithms.md, Bunches: a drive with less than a tree adds it to a bunch of another piece; all wood of a block is there.
    (
        "vwork.py",
        "abs(bv.get(k, 0) + lostv.get(k, 0) - v) > .01 + 1e-4 * v: bad.append(",
        "abs(bv.get(k, 0) + lostv.get(k, 0) - v) > .01 + 1e-4 * v + 1.01 * (SEC.volume_m3 / SEC.trees)[SEC.block_id == k[0]].max(): bad.append(",
    ),
    (
        "vwork.py",
        '    check("07e bunches',
        "        for b in IDS:\n"
        "            v = SEC[SEC.block_id == b].volume_m3.sum(); g = bun[bun.block_id == b].volume_m3.sum() + sum(x for k, x in lostv.items() if k[0] == b)\n"
        '            if v == v and abs(g - v) > .01 + 1e-4 * v: bad.append(f"{b}: bunches and reported wood {g:.3f}, felled {v:.3f} m3")\n'
        '    check("07e bunches',
    ),
    # docs/algorithms.md, Bunches: one that is filled in two stands is full by the trees of the second.
    ("vwork.py", "cap = np.maximum(np.floor(CAP / size + 1e-6), 1) * size;", "cap = np.maximum(CAP, size);"),
    # docs/algorithms.md, Hours: time grows with the volume; a whole cycle holds advances, bunches and the slope across.
    (
        "vwork.py",
        'r.trees * P["seconds_per_tree"] * (1 + P["steep_factor"] * max(0, slope - P["steep_from"]) + P["cross_slope_factor"] * cross)',
        '(r.trees * P["seconds_per_tree"] + (r.volume_m3 if P["seconds_per_m3"] else 0) * P["seconds_per_m3"]) * (1 + P["steep_factor"] '
        '* max(0, slope - P["steep_from"]) + (P["cross_slope_factor"] * cross if P["time_kind"] == "elements" else 0))',
    ),
    # docs/dispatch.md, Limits: shifts are planned with the scheduled hours of the sections.
    (
        "check_shifts.py",
        "for r in sec[key + ['section_no', 'hours', 'shift_class', 'reasons', 'skid_hours']].itertuples(index=False):",
        "sec['hours'], sec['skid_hours'] = sec.scheduled_hours, sec.scheduled_skid_hours\n"
        "for r in sec[key + ['section_no', 'hours', 'shift_class', 'reasons', 'skid_hours']].itertuples(index=False):",
    ),
    # docs/algorithms.md, Hours: a bunch holds whole trees, and the hours count as many bunches as are skidded.
    ("vwork.py", 'nb_ * P["seconds_per_bunch"]', 'nw * P["seconds_per_bunch"]'),
]


def main() -> None:
    checks = pathlib.Path(sys.argv[1])
    for name, before, after in CHANGES:
        text = (checks / name).read_text()
        if before in text and after not in text:
            (checks / name).write_text(text.replace(before, after, 1))


main()
