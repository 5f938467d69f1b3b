// All blocks: a map and a table that belong together.
"use strict";
blockwrightReport.drawOverview = (() => {
  const report = blockwrightReport;
  const { t, named, el, svg, number, percent, measure, places, paths, sign, verdict, say } = report;
  const STATUSES = ["fail", "warn", "ok"];
  /** Rows drawn at once; more on request. */
  const ROWS = 500;
  // Kept while a block is looked at, so that the way back leads to the same list.
  const state = { column: null, down: false, text: "", status: new Set(STATUSES), portfolio: "", all: false };

  const RANK = { ok: 0, warn: 1, fail: 2 };
  const COLUMNS = [
    { key: "id", word: "column_block", of: (row) => row.id },
    { key: "status", word: "column_status", of: (row) => RANK[row.status], down: true },
    { key: "gross_ha", word: "column_gross", of: (row) => row.gross_ha, show: (row) => number(row.gross_ha, 2) },
    { key: "net_ha", word: "column_net", of: (row) => row.net_ha, show: (row) => number(row.net_ha, 2) },
    { key: "retention", word: "column_retention", of: (row) => row.retention_share,
      show: (row) => `${row.retention_share === null ? t("none") : number(row.retention_share * 100, 1)} / ${number(row.required_share * 100, 1)}` },
    { key: "day_hours", word: "column_day", of: (row) => row.day_hours, show: (row) => number(row.day_hours, 1), down: true },
    { key: "night_hours", word: "column_night", of: (row) => row.night_hours, show: (row) => number(row.night_hours, 1), down: true },
    { key: "findings", word: "column_findings", of: (row) => row.fails * 1e6 + row.warnings * 1e3 + row.findings, down: true,
      show: (row) => number(row.findings) },
  ];

  const link = (row) => `#block=${encodeURIComponent(row.id)}`;

  // Letters and digits only: blanks, hyphens and strokes of an id are heard and typed in any way.
  const bare = (text) => text.toLocaleLowerCase().replace(/[^\p{L}\p{N}]/gu, "");

  function wanted(row) {
    const text = state.text.trim().toLocaleLowerCase();
    const own = (name) => name.toLocaleLowerCase().includes(text) || (bare(text) && bare(name).includes(bare(text)));
    return state.status.has(row.status) && (!state.portfolio || row.portfolio === state.portfolio)
      && (!text || own(row.id) || own(row.portfolio || ""));
  }

  // The block that is meant, if it has just this name, else the first in the list.
  function first(data) {
    const rows = sorted(data.rows.filter(wanted));
    return rows.find((row) => bare(row.id) === bare(state.text)) || rows[0];
  }

  function sorted(rows) {
    const column = COLUMNS.find((column) => column.key === state.column);
    if (!column) return rows;
    const collator = new Intl.Collator(report.language, { numeric: true });
    const turn = state.down ? -1 : 1;
    return [...rows].sort((a, b) => {
      const [x, y] = [column.of(a), column.of(b)];
      // What is not known comes last, whichever way the rest goes.
      if (x === null || y === null) return (x === null) - (y === null) || a.index - b.index;
      const order = typeof x === "string" ? collator.compare(x, y) : x - y;
      return order * turn || a.index - b.index;
    });
  }

  function draw(main) {
    const data = report.data;
    const tip = document.getElementById("tip");
    const lines = new Map();
    const areas = new Map();
    const count = el("p", { class: "count", role: "status" });
    const body = el("tbody", {});
    const more = el("div", { class: "more" });
    const heads = new Map();

    const light = (row, on) => {
      lines.get(row.index)?.classList.toggle("lit", on);
      const area = areas.get(row.index);
      if (!area) return;
      area.classList.toggle("lit", on);
      if (on) area.parentNode.append(area);
    };

    const line = (row) => {
      const cells = COLUMNS.slice(2).map((column) => el("td", { class: "number", text: column.show(row) }));
      const node = el("tr", { onpointerenter: () => light(row, true), onpointerleave: () => light(row, false),
        onfocusin: () => light(row, true), onfocusout: () => light(row, false) },
        el("th", { scope: "row" }, el("a", { href: link(row), dir: "auto", text: row.id })),
        el("td", {}, verdict(row.status, t(`status_short_${row.status}`))), cells);
      lines.set(row.index, node);
      return node;
    };

    const list = (speak) => {
      const rows = sorted(data.rows.filter(wanted));
      const shown = state.all ? rows : rows.slice(0, ROWS);
      lines.clear();
      body.replaceChildren(...shown.map(line));
      if (!rows.length) body.append(el("tr", {}, el("td", { colspan: COLUMNS.length, class: "empty", text: t("no_blocks") })));
      more.replaceChildren();
      if (rows.length > shown.length) {
        more.append(el("button", { type: "button", text: t("show_all", { count: number(rows.length) }),
          onclick: () => { state.all = true; list(true); } }));
      }
      const on = new Set(rows.map((row) => row.index));
      for (const [index, area] of areas) area.classList.toggle("dimmed", !on.has(index));
      for (const [key, head] of heads) {
        head.setAttribute("aria-sort", key !== state.column ? "none" : state.down ? "descending" : "ascending");
      }
      const words = t("blocks_shown", { shown: number(rows.length), all: number(data.rows.length) });
      if (count.textContent !== words) count.textContent = words;
      if (speak && state.column) {
        const column = COLUMNS.find((column) => column.key === state.column);
        say(t(state.down ? "sorted_down" : "sorted_up", { column: t(column.word) }));
      }
    };

    const head = (column) => {
      const button = el("button", { type: "button", onclick: () => {
        state.down = state.column === column.key ? !state.down : Boolean(column.down);
        state.column = column.key;
        list(true);
      } }, t(column.word), svg("svg", { class: "arrow", viewBox: "0 0 8 12", width: 8, height: 12, "aria-hidden": "true" },
        svg("path", { class: "up", d: "M4 0l4 5h-8z" }), svg("path", { class: "down", d: "M4 12l4-5h-8z" })));
      const node = el("th", { scope: "col", "aria-sort": "none", class: column.show ? "number" : null, "data-label": t(column.word) }, button);
      heads.set(column.key, node);
      return node;
    };

    const map = overviewMap(data, areas, light, tip);
    // What is not there is left out, for the page would spell a null.
    main.replaceChildren(...[
      el("h1", { dir: "auto", text: data.project || t("report_title") }),
      tiles(data),
      el("div", { class: "split" },
        el("section", { class: "map-side", "aria-label": t("map_all") }, map.node, key()),
        el("section", { class: "list-side" },
          el("h2", { id: "blocks-head", text: t("blocks") }), filters(data, list), count,
          el("div", { class: "scroll", tabindex: "0", role: "region", "aria-labelledby": "blocks-head" },
            el("table", { class: "blocks" }, el("caption", { class: "aside-text", text: t("blocks_caption") }),
              el("thead", {}, el("tr", {}, COLUMNS.map(head))), body)), more)),
      season(data), costs(data), problems(data), cautions(), about(data)].filter(Boolean));
    list(false);
    // Paper shows every block.
    const whole = () => { if (!state.all) { state.all = true; list(false); } };
    addEventListener("beforeprint", whole);
    return () => { removeEventListener("beforeprint", whole); map.close(); tip.hidden = true; };
  }

  function tiles(data) {
    const total = (of) => data.rows.reduce((sum, row) => sum + (row[of] ?? 0), 0);
    const unknown = data.rows.some((row) => row.day_hours === null);
    const tile = (value, word, mark) => el("div", { class: "tile" }, el("dt", {}, mark, word), el("dd", { text: value }));
    return el("dl", { class: "tiles" },
      STATUSES.slice().reverse().map((status) =>
        tile(number(data.rows.filter((row) => row.status === status).length), t(`status_${status}`), sign(status))),
      tile(t("hectares", { value: number(data.totals.gross_ha, 1) }), t("column_gross_long")),
      tile(t("hectares", { value: number(data.totals.net_ha, 1) }), t("column_net_long")),
      tile(t("hours", { value: number(total("day_hours"), 0) }), t(unknown ? "column_day_known" : "column_day_long")),
      tile(t("hours", { value: number(total("night_hours"), 0) }), t(unknown ? "column_night_known" : "column_night_long")));
  }

  const key = () => el("ul", { class: "key" }, STATUSES.slice().reverse().map((status) =>
    el("li", {}, svg("svg", { width: 26, height: 16, viewBox: "0 0 26 16", "aria-hidden": "true" },
      svg("rect", { x: 1, y: 1, width: 24, height: 14, class: `area st-${status}`,
        fill: status === "ok" ? null : `url(#s-${status})` })), sign(status, 14), t(`status_${status}`))));

  function filters(data, list) {
    const again = () => { state.all = false; list(false); };
    const portfolios = [...new Set(data.rows.map((row) => row.portfolio).filter(Boolean))].sort();
    const search = el("input", { type: "search", id: "search", value: state.text, autocomplete: "off",
      oninput: (event) => { state.text = event.target.value; again(); } });
    const box = (status) => el("label", { class: "check" },
      el("input", { type: "checkbox", value: status, checked: state.status.has(status), onchange: (event) => {
        if (event.target.checked) state.status.add(status); else state.status.delete(status);
        again();
      } }), sign(status, 14), t(`status_${status}`));
    return el("form", { class: "filters", onsubmit: (event) => {
        event.preventDefault();
        const row = state.text.trim() && first(data);
        if (row) location.hash = link(row);
      } },
      el("label", { for: "search" }, t("search"), search),
      el("fieldset", {}, el("legend", { text: t("column_status") }), STATUSES.slice().reverse().map(box)),
      portfolios.length > 0 && el("label", { for: "portfolio" }, t("portfolio"), el("select", { id: "portfolio", onchange: (event) => {
        state.portfolio = event.target.value;
        again();
      } }, el("option", { value: "", text: t("every_portfolio") }),
      portfolios.map((name) => el("option", { value: name, text: name, selected: name === state.portfolio })))));
  }

  function overviewMap(data, areas, light, tip) {
    const first = data.rows.find((row) => row.outline.length);
    const base = first ? [first.outline[0][0], first.outline[0][1]] : [0, 0];
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    const signs = [];
    const shapes = svg("g", {});
    const order = [...data.rows].sort((a, b) => RANK[a.status] - RANK[b.status] || a.index - b.index);
    for (const row of order) {
      // Near a place of their own, since a browser draws with seven digits.
      const rings = row.outline.map((steps) => [steps[0] - base[0], steps[1] - base[1], ...steps.slice(2)]);
      const own = [Infinity, Infinity, -Infinity, -Infinity];
      for (const [x, y] of rings.flatMap((ring) => places(ring, 1))) {
        own[0] = Math.min(own[0], x); own[1] = Math.min(own[1], y);
        own[2] = Math.max(own[2], x); own[3] = Math.max(own[3], y);
      }
      if (!Number.isFinite(own[0])) continue;
      for (const at of [0, 1]) { box[at] = Math.min(box[at], own[at]); box[at + 2] = Math.max(box[at + 2], own[at + 2]); }
      const area = svg("path", { class: `area st-${row.status}`, d: paths(rings, true, 1), "data-row": row.index });
      areas.set(row.index, area);
      shapes.append(area);
      const mark = sign(row.status, 16);
      mark.classList.add("mark");
      signs.push({ mark, own });
    }
    if (!Number.isFinite(box[0])) box.splice(0, 4, 0, 0, 1000, 1000);
    const of = (target) => {
      const area = target.closest?.("[data-row]");
      return area ? data.rows[Number(area.dataset.row)] : null;
    };
    const brief = (row) => `${row.id} · ${t(`status_${row.status}`)} · ${t("hectares", { value: number(row.net_ha, 1) })}`;
    const map = new report.Map({ label: t("map_all"), box, margin: Math.max(box[2] - box[0], box[3] - box[1]) * 0.03,
      onread: (x, y) => { const row = of(document.elementFromPoint(x, y) || map.svg); return row ? brief(row) : ""; } });
    for (const [, area] of areas) {
      const status = area.getAttribute("class").slice(8);
      if (status !== "ok") map.hatch(area, `s-${status}`);
    }
    map.ground.append(shapes);
    map.marks.append(...signs.map(({ mark }) => mark));
    map.hooks.push((map) => {
      for (const { mark, own } of signs) {
        const across = Math.min(own[2] - own[0], own[3] - own[1]) * map.k;
        const size = Math.min(16, across * 0.6);
        const [x, y] = map.at((own[0] + own[2]) / 2, (own[1] + own[3]) / 2);
        const shows = size >= 7 && x > -20 && y > -20 && x < map.width + 20 && y < map.height + 20;
        mark.style.display = shows ? "" : "none";
        if (!shows) continue;
        for (const [name, value] of [["x", x - size / 2], ["y", y - size / 2], ["width", size], ["height", size]]) {
          mark.setAttribute(name, value.toFixed(1));
        }
      }
    });
    let over = null;
    map.svg.addEventListener("pointermove", (event) => {
      const row = of(event.target);
      if (row !== over) {
        if (over) light(over, false);
        over = row;
        if (row) light(row, true);
      }
      report.tip(row && event.buttons === 0 ? [brief(row)] : null, event);
    });
    map.svg.addEventListener("pointerleave", () => { if (over) light(over, false); over = null; report.tip(null); });
    map.svg.addEventListener("click", (event) => { const row = of(event.target); if (row) location.hash = link(row); });
    map.svg.addEventListener("keydown", (event) => {
      if (event.key !== " ") return;
      event.preventDefault();
      const frame = map.svg.getBoundingClientRect();
      const row = of(document.elementFromPoint(frame.left + frame.width / 2, frame.top + frame.height / 2) || map.svg);
      if (row) location.hash = link(row);
    });
    return map;
  }

  function season(data) {
    if (!data.season.length) return null;
    return el("section", {}, el("h2", { text: t("season") }), report.complianceTable(data.season, t("season")));
  }

  /** The dearest blocks, and what makes a cubic metre of each dearer than on the mean. */
  function costs(data) {
    const all = data.costs;
    if (!all || !all.dearest.length) return null;
    const money = (value, places) => `${number(value, places)}\u00a0${all.currency}`;
    const machines = [["felling", all.felling], ["skidding", all.skidding]].filter(([, rate]) => rate !== null);
    const row = (block) => el("tr", {},
      el("th", { scope: "row" }, el("a", { href: link(block), dir: "auto", text: block.id })),
      el("td", { class: "number", text: money(block.cost_per_m3, 2) }), el("td", { class: "number", text: number(block.volume_m3, 0) }),
      el("td", { text: block.why.length ? block.why.map((why) => t("dear_why", { reason: t(`dear_${why.reason}`), more: money(why.more, 2) })).join("; ") : t("none") }));
    return el("section", {}, el("h2", { text: t("dear_head") }),
      el("p", { text: t("dear_mean", { mean: money(all.cost_per_m3, 2), whole: money(all.cost, 0), blocks: number(all.blocks) }) }),
      el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("dear_head") },
        el("table", {}, el("thead", {}, el("tr", {}, ["column_block", "dear_column", "dear_volume", "dear_reasons"].map((word, at) =>
          el("th", { scope: "col", class: at === 1 || at === 2 ? "number" : null, text: named("", word) })))), el("tbody", {}, all.dearest.map(row)))),
      el("p", { class: "quiet" }, t("dear_rates", { rates: machines.map(([of, rate]) => t(`dear_${of}`, { rate: money(rate, 2) })).join(", "), year: String(all.year ?? t("none")) }),
        " ", el("span", { lang: "en", dir: "auto", text: `${all.source} (${all.source_status})` })));
  }

  function problems(data) {
    if (!data.problems.length) return null;
    const aside = data.problems.filter((problem) => problem.set_aside).length;
    const row = (problem) => el("tr", {},
      el("td", { text: t(problem.set_aside ? "problem_set_aside" : "problem_note") }),
      el("td", {}, el("span", { dir: "auto", text: problem.layer })), el("th", { scope: "row", dir: "auto", text: problem.feature }),
      el("td", { lang: "en" }, problem.message, el("br", {}), el("span", { class: "quiet", text: problem.remedy })));
    return el("section", {}, el("h2", { text: t("problems") }),
      el("details", {}, el("summary", { text: t("problems_count", { aside: number(aside), notes: number(data.problems.length - aside) }) }),
        el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("problems") },
          el("table", {}, el("thead", {}, el("tr", {}, ["column_kind", "column_layer", "column_feature", "column_message"]
            .map((word) => el("th", { scope: "col", text: named("", word) })))), el("tbody", {}, data.problems.map(row)))),
        data.more_problems > 0 && el("p", { text: t("more_problems", { count: number(data.more_problems) }) })));
  }

  function cautions() {
    return report.cautions();
  }

  function about(data) {
    const pair = (word, value) => [el("dt", { text: word }), el("dd", { dir: "auto", text: value })];
    const calibration = (fitted) => pair(t("about_calibration"), t(fitted.applied ? "about_calibration_applied" : "about_calibration_shown", {
      factor: number(fitted.factor, 3), low: number(fitted.low, 3), high: number(fitted.high, 3), sections: number(fitted.sections),
      blocks: number(fitted.blocks), source: fitted.source }));
    const scale = data.scale[0] === null ? t("none") : `${number(data.scale[0], 6)} – ${number(data.scale[1], 6)}`;
    return el("section", {}, el("h2", { text: t("about") }), el("dl", { class: "pairs" },
      pair(t("about_rules"), `${data.rules.title} (${data.rules.preset})`), pair(t("about_crs"), data.crs),
      pair(t("about_scale"), scale), pair(t("about_strip_width"), t("metres", { value: number(data.strip_width_m, 2) })),
      data.time && [pair(t("about_time"), t("about_time_value", { model: data.time.model, kind: t(`time_${data.time.kind}`),
        range: data.time.range || t("none"), source: data.time.source, status: data.time.source_status })),
      data.time.calibration && calibration(data.time.calibration),
      pair(t("about_scheduled"), t("about_scheduled_value", { felling: number(data.time.utilisation, 2), felling_source: data.time.utilisation_source,
        skidding: number(data.time.skid_utilisation, 2), skidding_source: data.time.skid_utilisation_source }))]),
    data.warnings.length > 0 && el("ul", { lang: "en" }, data.warnings.map((text) => el("li", { text }))),
    el("details", {}, el("summary", { text: t("about_inputs", { count: number(data.inputs.length) }) }),
      el("ul", { class: "inputs" }, data.inputs.map((input) =>
        el("li", {}, el("span", { dir: "auto", text: input.source }), " · ", t("bytes", { value: number(input.bytes) }), " · SHA-256 ",
          el("code", { text: input.sha256 }))))));
  }

  /** The table of requirements, of a block or of the season. Roles are said, for on a phone its rows are no table rows. */
  report.complianceTable = (rows, label) => {
    const words = ["column_status", "column_rule", "column_required", "column_measured", "column_source"].map((word) => named("", word));
    const cell = (at, attributes, ...children) => el("td", { role: "cell", "data-label": words[at], ...attributes }, children);
    const line = (row) => el("tr", { role: "row", class: `row-${row.status}` },
      cell(0, {}, verdict(row.status, t(`verdict_${row.status}`))),
      el("th", { scope: "row", role: "rowheader", lang: "en" }, row.title, el("br", {}), el("code", { class: "quiet", text: row.rule_id })),
      cell(2, { class: "number", text: measure(row.required, row.unit) }),
      cell(3, { class: "number", text: measure(row.measured, row.unit) }),
      cell(4, { lang: "en", class: "source" }, row.source || t("none"), row.source_status && el("span", { class: "quiet", text: ` (${row.source_status})` }),
        row.origin && el("span", { class: "quiet origin", text: row.origin })));
    return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": label },
      el("table", { class: "compliance", role: "table", "aria-label": label },
        el("thead", { role: "rowgroup" }, el("tr", { role: "row" }, words.map((word, at) =>
          el("th", { scope: "col", role: "columnheader", class: at === 2 || at === 3 ? "number" : null, text: word })))),
        el("tbody", { role: "rowgroup" }, rows.map(line))));
  };

  /** Of a block, or of all. Slopes are those measured under the lines, never the limits that were set. */
  report.cautions = (block) => {
    const data = report.data;
    const slopes = block ? block.slopes : data && { driven: data.slope_driven, by_night: data.slope_by_night };
    const own = ["caution_slope", "caution_saw", "caution_lines", "caution_soft", "caution_sees"];
    return el("section", { class: "cautions" }, el("h2", { text: t("cautions") }), el("ul", {},
      own.map((word) => el("li", { text: named("", word) })),
      slopes && slopes.driven !== null && el("li", { text: t("max_slope", { value: percent(slopes.driven, 1) }) }),
      slopes && slopes.by_night !== null && el("li", { text: t("night_slope", { value: percent(slopes.by_night, 1) }) }),
      block && block.slopes.unknown && el("li", { text: t("slope_unknown") }),
      !block && data && data.slope_unknown_blocks > 0 && el("li", { text: t("slope_unknown_blocks", { count: data.slope_unknown_blocks }) }),
      data && data.level_ground && el("li", { text: t("slope_level") }, " ", el("span", { class: "quiet", text: data.level_ground }))));
  };

  report.tip = (words, event) => {
    const tip = document.getElementById("tip");
    tip.hidden = !words || !words.length;
    if (tip.hidden) return;
    tip.replaceChildren(...words.map((word) => (typeof word === "string" ? el("div", { text: word }) : word)));
    const { width, height } = tip.getBoundingClientRect();
    const beside = event.clientX + 16 + width > innerWidth ? event.clientX - 12 - width : event.clientX + 16;
    const below = event.clientY + 16 + height > innerHeight ? event.clientY - 12 - height : event.clientY + 16;
    tip.style.left = `${Math.max(4, beside)}px`;
    tip.style.top = `${Math.max(4, below)}px`;
  };

  return draw;
})();
