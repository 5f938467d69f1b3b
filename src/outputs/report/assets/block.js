// One block: map with layer switches, findings, requirements, hours.
"use strict";
blockwrightReport.drawBlock = (() => {
  const report = blockwrightReport;
  const { t, named, el, svg, number, percent, measure, places, path, paths, sign, verdict, say } = report;
  /** Layers that are switched off; kept from block to block. */
  const off = new Set(["travel", "order", "road_band", "skid_trails"]);

  const key = (id) => id.join("-");
  const metres = (value, decimals = 1) => t("metres", { value: number(value, decimals) });

  function draw(main, row, block, seek) {
    const all = report.data.rows;
    const before = all[row.index - 1];
    const after = all[row.index + 1];
    const step = (to, word) => (to ? el("a", { href: `#block=${encodeURIComponent(to.id)}`, dir: "auto" },
      el("span", { class: "quiet", text: `${word} ` }), to.id) : null);
    const here = el("div", { class: "here" }, el("h2", { text: t("here") }), el("p", { class: "quiet", text: t("here_hint") }));
    const map = blockMap(block, here);
    const layers = switches(block, map);
    main.replaceChildren(
      el("nav", { class: "ways", "aria-label": t("blocks") }, el("a", { href: "#", text: t("all_blocks") }),
        el("span", { class: "ways-beside" }, step(before, t("block_before")), step(after, t("block_after")))),
      el("div", { class: "title" }, el("h1", { dir: "auto", text: t("block", { id: block.id }) }),
        verdict(block.status, t(`status_${block.status}`))),
      el("div", { class: "work" },
        el("section", { class: "map-side", "aria-label": t("map_of", { id: block.id }) }, map.node, here),
        layers),
      el("div", { class: "columns" }, findings(block, map), figures(block, row)),
      hours(block),
      el("section", {}, el("h2", { text: t("compliance") }), report.complianceTable(block.compliance, t("compliance"))),
      report.cautions(block));
    if (seek) map.seek(seek - 1);
    return () => { map.close(); report.tip(null); };
  }

  // ------------------------------------------------------------------ the map

  function blockMap(block, here) {
    const words = new WeakMap();
    const rules = new Map(block.compliance.map((row) => [row.rule_id, row]));
    const lineOf = new Map(block.lines.map((line) => [key(line.id), line]));
    const bunchesOf = new Map(block.bunches.map((bunches) => [key(bunches.id), bunches]));
    const box = block.bounds || [0, 0, 100, 100];
    const map = new report.Map({ label: t("map_of", { id: block.id }), box, margin: 40, onread: (x, y) => read(x, y) });
    map.hatchTurn = (block.figures.azimuth ?? 0) - 45;
    map.layers = new Map();

    const layer = (name) => {
      if (!map.layers.has(name)) {
        const group = svg("g", { class: `layer-${name}` });
        map.layers.set(name, group);
        map.ground.append(group);
        if (off.has(name)) group.style.display = "none";
      }
      return map.layers.get(name);
    };
    /** Ground of one kind: a fill, a hatch where the kind has one, an outline. */
    const ground = (name, kind, rings, tell) => {
      const d = paths(rings);
      const hatch = report.hatches[kind];
      const fill = svg("path", { class: `ground hit g-${kind}${hatch ? "" : ` o-${kind}`}`, d });
      layer(name).append(fill);
      if (tell) words.set(fill, tell);
      if (hatch) {
        const above = svg("path", { class: `ground no-hit o-${kind}`, d });
        map.hatch(above, hatch);
        layer(name).append(above);
      }
    };

    const source = (rule) => {
      if (!rule) return [];
      const { lines } = report.data.rules;
      const found = Object.hasOwn(lines, rule) ? lines[rule] : rules.get(rule);
      const cited = [found?.source, found?.source_status, found?.origin].filter(Boolean).join(" · ");
      return [el("div", { lang: "en", text: t("tip_rule", { rule: found ? `${found.title} (${rule})` : rule }) }),
        cited && el("div", { lang: "en", class: "quiet", text: t("tip_source", { source: cited }) })];
    };
    const entry = (title, ...lines) => el("div", { class: "tip-entry" }, el("strong", { text: title }), lines.flat()
      .filter(Boolean).map((line) => (typeof line === "string" ? el("div", { text: line }) : line)));

    for (const part of block.parts) {
      ground("net", "net", part.rings, () => entry(t("tip_part", { part: part.part }),
        t("tip_azimuth", { azimuth: number(part.azimuth, 1), width: number(part.corridor_width_m, 2) }),
        part.drawn !== null && t("tip_drawn", { id: part.drawn }),
        part.strip_lines.map(([id, strip]) => t("tip_strip_line", { id, strip })),
        part.outlet_kind && t("tip_outlet", { kind: named("outlet_", part.outlet_kind), name: part.outlet || t("none") }),
        part.volume_m3 !== null && t("tip_volume", { value: number(part.volume_m3, 0) }),
        part.outlet_kind === "access" && t("tip_no_frontage")));
    }
    const zones = (...kinds) => {
      for (const kind of kinds) {
        for (const zone of block.zones.filter((zone) => zone.kind === kind)) {
          ground(kind, kind, zone.rings, () => entry(named("kind_", kind),
            zone.layer && t("tip_feature", { layer: zone.layer, feature: zone.feature || t("none") }),
            zone.class && t("tip_class", { value: zone.class }),
            zone.width_m !== null && t("tip_width", { value: number(zone.width_m, 2) }), source(zone.rule)));
        }
      }
    };
    zones("reserve", "road_clearing");
    const tellStrip = (strip) => () => {
      const line = lineOf.get(key(strip.id));
      const bunches = bunchesOf.get(key(strip.id));
      const title = strip.kind === "interior" ? t("tip_strip", { no: strip.id[1], part: strip.id[0] }) : named("kind_", strip.kind);
      return entry(title, line && t("tip_order", { order: line.order, all: block.lines.length, heading: named("heading_", line.heading) }),
        t("tip_strip_size", { width: number(strip.width_m, 2), length: line ? number(line.length_m, 0) : t("none"), area: number(strip.area_ha, 2) }),
        line && line.travel_m !== null && t("tip_travel", { value: number(line.travel_m, 0) }),
        line && line.cross_slope !== null && t("tip_cross_slope", { value: percent(line.cross_slope, 0) }),
        bunches && t("tip_bunches", { count: number(bunches.count), volume: number(bunches.volume_m3, 0) }));
    };
    const stripOf = new Map(block.strips.map((strip) => [key(strip.id), strip]));
    const sectioned = new Set(block.sections.map((section) => key(section.id)));
    for (const strip of block.strips) {
      const kind = strip.kind === "interior" || sectioned.has(key(strip.id)) ? "strip" : strip.kind;
      ground("strips", kind, strip.rings, tellStrip(strip));
    }
    // A section looks as the strip that it is of; a clearing that needs daylight says so above its own look.
    const kindOf = (section) => {
      const kind = stripOf.get(key(section.id))?.kind ?? "interior";
      return kind === "interior" ? section.class : kind;
    };
    for (const kind of ["road_clearing", "night_safe", "day_only", "boundary_pass"]) {
      for (const section of block.sections.filter((section) => kindOf(section) === kind)) {
        ground("sections", kind, section.rings, () => entry(named("kind_", section.class),
          section.reasons.length > 0 && section.reasons.map((reason) => named("reason_", reason)).join(", "),
          t("tip_section", { no: section.no, area: number(section.area_ha, 2), hours: number(section.hours, 2), trees: number(section.trees) })));
        if (kind === "road_clearing" && section.class === "day_only") {
          const above = svg("path", { class: "ground no-hit", d: paths(section.rings) });
          map.hatch(above, report.hatches.day_only);
          layer("sections").append(above);
        }
      }
    }
    zones("retained_band");
    for (const corridor of block.corridors) {
      ground("corridor", "corridor", corridor.rings, () => entry(t("tip_corridor", { no: corridor.no }),
        t("tip_corridor_size", { width: number(corridor.width_m, 2), area: number(corridor.area_ha, 3) })));
    }
    zones("management", "machine_exclusion", "may_be_wet", "hazard", "limit_of_approach", "crossing");
    for (const piece of block.unworked) {
      ground("unworked", piece.reason === "cut_before" ? "cut_before" : "unworked", piece.rings, () => entry(t("kind_unworked"), named("unworked_", piece.reason),
        t("hectares", { value: number(piece.area_ha, 4) })));
    }
    zones("road_band");
    if (block.parts.length > 1) layer("settings").append(svg("path", { class: "o-setting line no-hit", d: paths(block.dividing, false) }));
    const most = Math.max(1, ...block.trails.map((trail) => trail.loads));
    for (const trail of block.trails) {
      layer("skid_trails").append(svg("path", { class: "o-skid_trail line no-hit", d: path(trail.line, false),
        "stroke-width": (0.8 + 3.2 * Math.sqrt(trail.loads / most)).toFixed(2) }));
    }
    layer("block").append(svg("path", { class: "ground outline no-hit o-block", d: paths(block.outline) }));
    for (const line of block.power_lines) {
      const d = line.lines.map((way) => path(way, false)).join("");
      const tell = () => entry(t("tip_power_line", { label: line.label, kind: line.kind || t("none") }),
        t("tip_limit", { value: number(line.limit_m, 1) }), line.limit_source,
        t("tip_belt", { value: number(line.belt_m, 1), trees: number(line.trees_m, 1), from: named("trees_", line.trees), area: number(line.belt_ha, 2) }),
        line.agreed ? t("tip_agreed", { source: line.agreed_source }) : t("tip_not_agreed"));
      const shape = svg("path", { class: "outlet-hit hit", d });
      words.set(shape, tell);
      layer("power_lines").append(svg("path", { class: "no-hit o-power_line line", d }), shape);
    }
    for (const own of block.people) {
      const d = own.lines.map((way) => path(way, false)).join("");
      const kind = own.said ? "people" : "people_unknown";
      const named_place = { label: own.label, role: named("people_", own.role) };
      const tell = () => entry(own.said ? t("tip_people", named_place) : t("tip_people_unknown", named_place),
        t("tip_people_within", { value: number(own.within_m, 0), trees: number(own.trees_m, 0), from: named("trees_", own.trees), area: number(own.cut_ha, 2) }),
        own.length_m !== null && t("tip_people_length", { value: number(own.length_m, 0) }),
        own.day_hours !== null && own.night_hours !== null && t("tip_people_hours", { day: number(own.day_hours, 1), night: number(own.night_hours, 1) }),
        own.layer);
      if (d) {
        const shape = svg("path", { class: "outlet-hit hit", d });
        words.set(shape, tell);
        layer("people").append(svg("path", { class: `no-hit o-${kind} line`, d }), shape);
      }
      for (const place of own.places) {
        const [[x, y]] = places(place);
        const shape = svg("circle", { class: `hit o-${kind} people-place`, cx: x, cy: -y, r: 6 });
        words.set(shape, tell);
        layer("people").append(shape);
      }
    }
    for (const own of block.windows.filter((own) => own.rings.length)) {
      const d = paths(own.rings);
      const shape = svg("path", { class: "outlet-hit hit", d });
      words.set(shape, () => entry(`${own.label}: ${own.days}`,
        t(`tip_window_${own.under}`, { of: own.of, area: number(own.cut_ha, 2) }),
        own.day_hours !== null && own.night_hours !== null && t("tip_people_hours", { day: number(own.day_hours, 1), night: number(own.night_hours, 1) }),
        own.source));
      layer("windows").append(svg("path", { class: "no-hit o-window line", d }), shape);
    }
    const fronts = block.parts.filter((part) => part.front.length);
    for (const name of ["o-outlet_rim", "o-outlet"]) {
      for (const part of fronts) layer("outlets").append(svg("path", { class: `${name} line no-hit`, d: part.front.map(front).join("") }));
    }
    for (const part of fronts) {
      const shape = svg("path", { class: "outlet-hit hit", d: part.front.map(front).join("") });
      words.set(shape, () => entry(t("tip_outlet_of", { part: part.part }),
        t("tip_outlet", { kind: named("outlet_", part.outlet_kind), name: part.outlet || t("none") })));
      layer("outlets").append(shape);
    }
    for (const deck of block.decks) {
      const [[x, y]] = places(deck.at);
      const shape = svg("rect", { class: "deck hit", x: x - 4, y: -y - 4, width: 8, height: 8 });
      words.set(shape, () => entry(t("tip_deck", { part: deck.part }),
        t("tip_deck_size", { volume: number(deck.volume_m3, 0), length: number(deck.length_m, 0) })));
      layer("decks").append(shape);
    }
    layer("bunches").append(svg("path", { class: "o-bunch line no-hit", d: block.bunches.map((bunches) => butts(bunches.lines)).join("") }));
    layer("travel").append(svg("path", { class: "o-travel line no-hit",
      d: paths(block.lines.map((line) => line.travel).filter(Boolean), false) }));
    for (const line of block.lines) {
      layer("lines").append(svg("path", { class: `strip-line no-hit${line.heading === "around" ? " around" : ""}`, d: path(line.line, false) }));
    }
    block.findings.forEach((finding, index) => {
      if (!finding.place) return;
      const shape = svg("path", { class: `finding o-finding line no-hit f-${index}`,
        d: paths(finding.place.rings || []) + paths(finding.place.lines || [], false) });
      layer("findings").append(shape);
    });
    lineMarks(map, block);
    const markers = findingMarks(map, block, words, entry);

    function stack(x, y) {
      return document.elementsFromPoint(x, y).filter((node) => words.has(node)).map((node) => words.get(node)());
    }
    function read(x, y) {
      const found = stack(x, y);
      here.replaceChildren(el("h2", { text: t("here") }), ...(found.length ? found : [el("p", { class: "quiet", text: t("nothing_here") })]));
      return found.map((node) => node.textContent).join(". ");
    }
    map.svg.addEventListener("pointermove", (event) => {
      if (event.pointerType === "touch" || event.buttons) return report.tip(null);
      report.tip(stack(event.clientX, event.clientY), event);
    });
    map.svg.addEventListener("pointerleave", () => report.tip(null));
    map.svg.addEventListener("click", (event) => {
      const marker = event.target.closest?.("[data-finding]");
      if (marker) document.getElementById(`finding-${Number(marker.dataset.finding) + 1}`)?.scrollIntoView({ block: "nearest" });
      read(event.clientX, event.clientY);
    });

    map.seek = (index) => {
      const finding = block.findings[index];
      if (!finding?.place) return;
      if (off.has("findings")) document.querySelector("input[value=findings]")?.click();
      map.fit(reach(finding.place), 60);
      for (const node of map.node.querySelectorAll(".sought")) node.classList.remove("sought");
      map.node.querySelector(`.f-${index}`)?.classList.add("sought");
      markers.get(index)?.classList.add("sought");
    };
    return map;
  }

  /** Path data of bunches: butt and top by turns, each a step in decimetres from the one before. */
  function butts(steps) {
    return places(steps, 0.1).map(([x, y], i) => `${i % 2 ? "L" : "M"}${x.toFixed(1)} ${(-y).toFixed(1)}`).join("");
  }

  /** A stretch of road, or a place as a line of no length to speak of, whose round ends make it a dot. */
  function front(steps) {
    const way = places(steps);
    if (way.length > 1) return path(steps, false);
    return `M${way[0][0]} ${-way[0][1]}h.01`;
  }

  function reach(place) {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    const all = [...(place.points || []), ...(place.lines || []), ...(place.rings || [])].flatMap((steps) => places(steps));
    for (const [x, y] of all) {
      box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], y);
      box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], y);
    }
    const margin = Math.max(box[2] - box[0], box[3] - box[1]) * 0.2;
    return [box[0] - margin, box[1] - margin, box[2] + margin, box[3] + margin];
  }

  /** Pixels to the metre from which bunches are drawn. */
  const CLOSE = 2.2;

  /** Keeps marks apart: true and booked when a square is still free. */
  function room() {
    const taken = [];
    return (x, y, width, height) => {
      const box = [x - width / 2, y - height / 2, x + width / 2, y + height / 2];
      if (taken.some((other) => box[0] < other[2] && box[2] > other[0] && box[1] < other[3] && box[3] > other[1])) return false;
      taken.push(box);
      return true;
    };
  }

  /** The place and direction at a share of a line on the screen. */
  function along(line, share) {
    const lengths = line.slice(1).map(([x, y], i) => Math.hypot(x - line[i][0], y - line[i][1]));
    let left = lengths.reduce((sum, length) => sum + length, 0) * share;
    for (let i = 0; i < lengths.length; i += 1) {
      if (lengths[i] > 0 && left <= lengths[i] + 1e-9) {
        const [a, b] = [line[i], line[i + 1]];
        const direction = [(b[0] - a[0]) / lengths[i], (b[1] - a[1]) / lengths[i]];
        return [a[0] + direction[0] * left, a[1] + direction[1] * left, ...direction];
      }
      left -= lengths[i];
    }
    return null;
  }

  /** Arrowheads, strip numbers at the outlet end, START, names of settings, order of work: of one size at every zoom. */
  function lineMarks(map, block) {
    const heads = svg("path", { class: "heads no-hit" });
    const numbers = svg("g", { class: "numbers no-hit" });
    const orders = svg("g", { class: "orders no-hit" });
    const names = svg("g", { class: "names no-hit" });
    const start = svg("g", { class: "names start no-hit" });
    map.marks.append(heads, numbers, orders, names, start);
    const lines = block.lines.map((line) => ({ ...line, places: places(line.line) }));
    const ends = block.numbers.map((number) => ({ ...number, places: places(number.line) }));
    const inside = (x, y) => x > -10 && y > -10 && x < map.width + 10 && y < map.height + 10;
    map.hooks.push(() => {
      const free = room();
      // Bunches on a small map would be a grey veil over all else.
      const bunches = map.layers.get("bunches");
      if (bunches) bunches.classList.toggle("far", map.k < CLOSE);
      const shown = !off.has("lines");
      let d = "";
      numbers.replaceChildren();
      orders.replaceChildren();
      const label = (group, x, y, text) => {
        const width = 7 * text.length + 4;
        if (!inside(x, y) || !free(x, y, width, 13)) return false;
        group.append(svg("text", { x: x.toFixed(1), y: (y + 4).toFixed(1), text }));
        return true;
      };
      names.replaceChildren();
      start.replaceChildren();
      if (shown && block.start) {
        const [x, y] = map.at(...places(block.start)[0]);
        free(x, y, 17, 17);
        start.append(svg("path", { d: `M${(x - 9).toFixed(1)} ${y.toFixed(1)}l4.5-7.8h9l4.5 7.8-4.5 7.8h-9z` }),
          svg("text", { class: "start-no", x: x.toFixed(1), y: (y + 4).toFixed(1), text: "1" }));
        const width = 5 * t("start").length + 8;
        [[0, -16], [0, 17], [width, 0], [-width, 0]].some(([dx, dy]) => label(start, x + dx, y + dy, t("start")));
      }
      if (!off.has("settings")) {
        for (const part of block.parts.filter((part) => part.at)) {
          const [x, y] = map.at(...places(part.at)[0]);
          label(names, x, y, t("tip_part", { part: part.part }));
        }
      }
      if (shown) {
        for (const { strip, places: line } of ends) {
          const end = along(line.map(([x, y]) => map.at(x, y)), 0);
          if (end) label(numbers, end[0] - end[2] * 9, end[1] - end[3] * 9, strip.join("-"));
        }
      }
      for (const line of lines) {
        const screen = line.places.map(([x, y]) => map.at(x, y));
        const long = (line.length_m || 0) * map.k;
        if (long < 14) continue;
        if (!off.has("order")) {
          const middle = along(screen, 0.5);
          if (middle) label(orders, middle[0], middle[1], String(line.order));
        }
        if (!shown) continue;
        const heads = Math.min(Math.max(1, Math.round(long / 150)), 60);
        for (let i = 0; i < heads; i += 1) {
          const place = along(screen, (i + 0.55) / heads);
          if (!place) continue;
          const [x, y, dx, dy] = place;
          if (!inside(x, y) || !free(x, y, 8, 8)) continue;
          const corner = (ahead, aside) => `${(x + ahead * dx - aside * dy).toFixed(1)} ${(y + ahead * dy + aside * dx).toFixed(1)}`;
          d += `M${corner(5, 0)}L${corner(-4, 3.2)}L${corner(-4, -3.2)}z`;
        }
      }
      heads.setAttribute("d", d);
    });
  }

  function findingMarks(map, block, words, entry) {
    const group = svg("g", { class: "finding-marks" });
    map.marks.append(group);
    map.findingMarks = group;
    if (off.has("findings")) group.style.display = "none";
    const markers = new Map();
    block.findings.forEach((finding, index) => {
      if (!finding.place?.at) return;
      const fail = finding.status === "fail";
      const shape = fail ? svg("rect", { x: -9, y: -9, width: 18, height: 18 }) : svg("circle", { r: 9.5 });
      const marker = svg("g", { class: `marker marker-${finding.status}`, "data-finding": index }, svg("path", { class: "leader" }), shape,
        svg("text", { y: 4, text: index + 1 }));
      words.set(shape, () => entry(t("finding_no", { no: index + 1, status: t(`verdict_${finding.status}`) }),
        el("div", { lang: "en", text: finding.message }), finding.source && el("div", { lang: "en", class: "quiet",
          text: t("tip_source", { source: finding.source }) })));
      markers.set(index, marker);
      group.append(marker);
    });
    map.hooks.push(() => {
      const free = room();
      // Where work starts no finding stands.
      if (block.start) free(...map.at(...places(block.start)[0]), 17, 17);
      for (const [index, marker] of markers) {
        const [x, y] = map.at(...block.findings[index].place.at);
        let dx = 0;
        let dy = 0;
        for (let i = 0; i < 40 && !free(x + dx, y + dy, 20, 20); i += 1) {
          const away = 22 * (1 + Math.floor(i / 8));
          dx = away * Math.cos((i * Math.PI) / 4);
          dy = away * Math.sin((i * Math.PI) / 4);
        }
        marker.setAttribute("transform", `translate(${(x + dx).toFixed(1)} ${(y + dy).toFixed(1)})`);
        marker.firstChild.setAttribute("d", dx || dy ? `M0 0L${(-dx).toFixed(1)} ${(-dy).toFixed(1)}` : "");
      }
    });
    return markers;
  }

  // ------------------------------------------------------------- beside the map

  const ORDER = ["findings", "lines", "order", "travel", "bunches", "strips", "sections", "corridor", "retained_band", "reserve",
    "management", "machine_exclusion", "may_be_wet", "hazard", "windows", "people", "power_lines", "limit_of_approach", "crossing", "settings", "outlets", "skid_trails", "decks", "road_clearing", "road_band", "unworked", "net"];

  /** Layers that hold one kind each, under its own word. */
  const KIND_OF = { corridor: "corridor", retained_band: "retained_band", reserve: "reserve", management: "management",
    machine_exclusion: "machine_exclusion", may_be_wet: "may_be_wet", hazard: "hazard", limit_of_approach: "limit_of_approach", windows: "window",
    crossing: "crossing", outlets: "outlet", skid_trails: "skid_trail", decks: "deck", road_clearing: "road_clearing", road_band: "road_band",
    unworked: "unworked", net: "net", travel: "travel", power_lines: "power_line" };

  /** Switches of the layers, which are the legend too. */
  function switches(block, map) {
    const has = (name) => name === "order" ? block.lines.length > 0 : name === "bunches" ? block.bunches.length > 0
      : name === "travel" ? block.lines.some((line) => line.travel) : map.layers.get(name)?.childElementCount > 0;
    const swatch = (...kinds) => svg("svg", { class: "swatch", width: 30, height: 16, viewBox: "0 0 30 16", "aria-hidden": "true" },
      kinds.filter(Boolean).map((kind) => (typeof kind === "string" ? svg("rect", { x: 1.5, y: 1.5, width: 27, height: 13, class: kind }) : kind)));
    const of = (kind) => swatch(`g-${kind}`, report.hatches[kind] && `h-${kind}`, kind === "net" ? "books-line" : `outline o-${kind}`);
    const draws = {
      findings: () => swatch(svg("circle", { cx: 15, cy: 8, r: 7, class: "swatch-finding" }), svg("text", { x: 15, y: 12, text: "1", class: "swatch-text" })),
      lines: () => swatch(svg("path", { class: "strip-line", d: "M1 8h28" }), svg("path", { class: "heads", d: "M20 8l-9-4v8z" })),
      strips: () => of("strip"),
      order: () => swatch(svg("text", { x: 15, y: 12, text: "7", class: "swatch-text order" })),
      travel: () => swatch(svg("path", { class: "o-travel line", d: "M1 8h28" })),
      settings: () => swatch(svg("path", { class: "o-setting line", d: "M1 8h28" })),
      people: () => swatch(svg("path", { class: "o-people line", d: "M1 8h28" })),
      windows: () => swatch(svg("path", { class: "o-window line", d: "M1 8h28" })),
      power_lines: () => swatch(svg("path", { class: "o-power_line line", d: "M1 8h28" })),
      outlets: () => swatch(svg("path", { class: "o-outlet_rim line", d: "M4 8h22" }), svg("path", { class: "o-outlet line", d: "M4 8h22" })),
      skid_trails: () => swatch(svg("path", { class: "o-skid_trail line", d: "M1 8h28" })),
      decks: () => swatch(svg("rect", { class: "g-deck o-deck", x: 11, y: 4, width: 8, height: 8 })),
      bunches: () => swatch(svg("path", { class: "o-bunch line", d: "M6 14l8-12M12 14l8-12M18 14l8-12" })),
    };
    const set = (name, on) => {
      if (on) off.delete(name); else off.add(name);
      const group = map.layers.get(name);
      if (group) group.style.display = on ? "" : "none";
      if (name === "findings") map.findingMarks.style.display = on ? "" : "none";
      map.apply();
    };
    const entry = (name) => {
      const box = el("input", { type: "checkbox", value: name, checked: !off.has(name), onchange: (event) => set(name, event.target.checked) });
      const more = [];
      const line = (drawing, word) => more.push(el("span", { class: "sub" }, drawing, word));
      if (name === "sections") {
        const kinds = new Set(block.strips.map((strip) => strip.kind));
        const classes = new Set(block.sections.map((section) => section.class));
        for (const kind of ["day_only", "night_safe"]) if (classes.has(kind)) line(of(kind), named("kind_", kind));
        for (const kind of ["boundary_pass", "road_clearing"]) if (kinds.has(kind)) line(of(kind), named("kind_", kind));
      }
      const drawing = more.length ? null : (draws[name] || (() => of(name)))();
      return el("li", {}, el("label", { class: "check" }, box, drawing, KIND_OF[name] ? named("kind_", KIND_OF[name]) : named("layer_", name)), more);
    };
    return el("section", { class: "layers", "aria-labelledby": "layers-head" }, el("h2", { id: "layers-head", text: t("layers") }),
      el("ul", {}, ORDER.filter(has).map(entry)));
  }

  function findings(block, map) {
    const item = (finding, index) => {
      const go = finding.place ? el("button", { type: "button", class: "go", "aria-label": t("show_finding", { no: index + 1 }),
        onclick: () => {
          map.seek(index);
          map.node.scrollIntoView({ block: "nearest", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
          say(t("finding_shown", { no: index + 1 }));
        } }, t("show")) : el("span", { class: "quiet", text: t("no_place") });
      return el("li", { id: `finding-${index + 1}` },
        el("div", { class: "finding-head" }, el("span", { class: "finding-no", text: index + 1 }), verdict(finding.status, t(`verdict_${finding.status}`)), go),
        el("p", { lang: "en", text: finding.message }),
        el("p", { class: "quiet" }, finding.required !== null && `${t("required_measured", { required: measure(finding.required, finding.unit),
          measured: measure(finding.measured, finding.unit) })} · `, el("code", { text: finding.rule }), finding.source && el("span", { lang: "en", text: ` · ${finding.source}` })));
    };
    return el("section", { class: "findings" }, el("h2", { text: t("findings", { count: number(block.findings.length) }) }),
      block.findings.length ? el("ol", {}, block.findings.map(item)) : el("p", { text: t("no_findings") }));
  }

  function figures(block, row) {
    const f = block.figures;
    const ha = (value) => t("hectares", { value: number(value, 3) });
    const parts = [["reserve_ha", "area_reserve", "reserve"], ["retained_ha", "area_retained", "corridor"], ["cut_ha", "area_cut", "strip"],
      ["unworked_ha", "area_unworked", "unworked"]];
    const whole = parts.reduce((sum, [of]) => sum + (f[of] || 0), 0) || 1;
    let x = 0;
    const bar = svg("svg", { class: "books", viewBox: "0 0 400 18", preserveAspectRatio: "none", "aria-hidden": "true" },
      parts.map(([of, , kind]) => {
        const width = (400 * (f[of] || 0)) / whole;
        const from = x;
        x += width;
        return [svg("rect", { x: from, y: 0, width, height: 18, class: `g-${kind}` }),
          report.hatches[kind] && svg("rect", { x: from, y: 0, width, height: 18, class: `h-${kind}` }),
          svg("rect", { x: from, y: 0, width, height: 18, class: "books-line" })];
      }));
    const pair = (word, value, kind) => [el("dt", {}, kind && svg("svg", { class: "swatch", width: 18, height: 12, viewBox: "0 0 18 12", "aria-hidden": "true" },
      [`g-${kind}`, report.hatches[kind] && `h-${kind}`, "books-line"].filter(Boolean).map((name) => svg("rect", { x: 0.5, y: 0.5, width: 17, height: 11, class: name }))), word),
    el("dd", { text: value })];
    return el("section", { class: "figures" }, el("h2", { text: t("areas") }), bar, el("dl", { class: "pairs" },
      pair(t("area_gross"), ha(f.gross_ha)), parts.map(([of, word, kind]) => pair(named("", word), ha(f[of]), kind)),
      pair(t("area_net"), ha(f.net_ha)), pair(t("area_geodesic"), ha(f.geodesic_ha)),
      pair(t("retention"), t("retention_of", { kept: percent(f.retention_share, 2), required: percent(f.required_share, 2) }) + (f.share_of ? ` ${t(`share_of_${f.share_of}`)}` : "")),
      pair(t("strips"), number(f.strips)), pair(t("azimuth"), f.azimuth === null ? t("none") : `${number(f.azimuth, 1)}°`),
      pair(t("corridor_width"), f.corridor_width_m === null ? t("none") : metres(f.corridor_width_m, 2)),
      Number.isFinite(f.left_share) && pair(t("left_share"), percent(f.left_share, 0)),
      f.windward_m && pair(t("windward"), t("windward_value", { retained: number(f.windward_m[0], 0), reserves: number(f.windward_m[1], 0) })),
      pair(t("volume"), f.volume_m3 === null ? t("none") : `${number(f.volume_m3, 0)}\u00a0m³`),
      pair(t("skidding"), f.skid_m === null ? t("none") : t("skid_value", { metres: number(f.skid_m, 0), hours: number(f.skid_hours, 1) })),
      Number.isFinite(f.scheduled_hours) && pair(t("scheduled"), Number.isFinite(f.scheduled_skid_hours)
        ? t("scheduled_value", { felling: number(f.scheduled_hours, 1), skidding: number(f.scheduled_skid_hours, 1) })
        : t("hours", { value: number(f.scheduled_hours, 1) })),
      [["trees_stay", f.stays], ["trees_lost", f.lost], ["trees_large", f.large]].filter(([, lot]) => lot && lot[0] > 0).map(([word, lot]) =>
        pair(named("", word), t("trees_lot", { trees: number(lot[0], 0), volume: number(lot[1], 0), basal: number(lot[2], 1) }))),
      Number.isFinite(f.cost_per_m3) && pair(t("dear_column"), t("dear_value", { cost: number(f.cost_per_m3, 2), felling: number(f.felling_cost, 0), skidding: number(f.skidding_cost, 0) })),
      block.portfolio && pair(t("portfolio"), block.portfolio)),
    el("p", { class: "elsewhere" },
      el("a", { href: `../maps/${encodeURIComponent(row.file)}.svg`, text: t("map_sheet") }),
      report.data.sheets && [" · ",
        el("a", { href: `../sheets/${encodeURIComponent(row.file)}.pdf`, text: t("operator_sheet") })]));
  }

  /** Hours by day and night, and why ground waits for day: a table whose last column is the chart. */
  function hours(block) {
    const f = block.figures;
    const area = (sections) => sections.reduce((sum, section) => sum + (section.area_ha || 0), 0);
    const time = (sections) => (sections.some((section) => section.hours === null) ? null
      : sections.reduce((sum, section) => sum + section.hours, 0));
    const of = (name) => block.sections.filter((section) => section.class === name);
    const reasons = [...new Set(of("day_only").flatMap((section) => section.reasons))];
    const rows = [
      { word: t("kind_day_only"), area: area(of("day_only")), hours: f.day_hours, bar: "day_only" },
      ...reasons.map((reason) => {
        const sections = of("day_only").filter((section) => section.reasons.includes(reason));
        return { word: named("reason_", reason), area: area(sections), hours: time(sections), bar: "day_only", sub: true };
      }),
      { word: t("kind_night_safe"), area: area(of("night_safe")), hours: f.night_hours, bar: "night_safe" },
    ];
    // Where hours are not known, areas are compared.
    const by = rows.every((row) => row.hours === null) ? "area" : "hours";
    const most = Math.max(...rows.map((row) => row[by] || 0), 1e-9);
    const chart = (row) => svg("svg", { class: "bar", width: "100%", height: 18, "aria-hidden": "true" },
      [`g-${row.bar} o-strip`, !row.sub && report.hatches[row.bar] && `h-${row.bar}`].filter(Boolean).map((name) =>
        svg("rect", { class: name, x: 0, y: 1, width: `${(100 * (row[by] || 0)) / most}%`, height: row.sub ? 9 : 16 })));
    return el("section", {}, el("h2", { text: t("hours_head") }), el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("hours_head") },
      el("table", { class: "hours" }, el("caption", { class: "aside-text", text: t("hours_caption") }),
        el("thead", {}, el("tr", {}, el("th", { scope: "col", text: t("hours_kind") }), el("th", { scope: "col", class: "number", text: t("hours_area") }),
          el("th", { scope: "col", class: "number", text: t("hours_machine") }), el("th", { scope: "col", class: "chart", text: t(by === "area" ? "hours_area" : "hours_machine") }))),
        el("tbody", {}, rows.map((row) => el("tr", { class: row.sub ? "sub-row" : null }, el("th", { scope: "row", text: row.word }),
          el("td", { class: "number", text: number(row.area, 2) }), el("td", { class: "number", text: number(row.hours, 1) }), el("td", { class: "chart" }, chart(row))))))),
    reasons.length > 1 && el("p", { class: "quiet", text: t("hours_note") }));
  }

  return draw;
})();
