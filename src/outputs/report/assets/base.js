// What all pages share: words in the reader's language, numbers, elements, and data as it arrives.
"use strict";
const blockwrightReport = (() => {
  const SVG = "http://www.w3.org/2000/svg";
  const tables = {};
  let language = "en";
  let data = null;
  const waiting = new Map();
  let arriving = null;

  /** The word for a key; `{name}` in it is filled from `values`. */
  function t(key, values) {
    const table = tables[language] || {};
    const word = table[key] ?? (tables.en || {})[key] ?? key;
    return values ? word.replace(/\{(\w+)\}/g, (all, name) => String(values[name] ?? all)) : word;
  }

  /** Like `t`, for a key put together from a prefix and a stable word; an unknown word stands for itself. */
  function named(prefix, word) {
    const key = prefix + word;
    return Object.hasOwn(tables.en || {}, key) ? t(key) : String(word);
  }

  /** An element. Attributes `on…` are listeners, `text` is its text; children are nodes or text, never markup. */
  function el(tag, attributes, ...children) {
    return fill(document.createElement(tag), attributes, children);
  }

  function svg(tag, attributes, ...children) {
    return fill(document.createElementNS(SVG, tag), attributes, children);
  }

  function fill(node, attributes, children) {
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (name === "text") node.textContent = String(value);
      else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
      else node.setAttribute(name, value === true ? "" : String(value));
    }
    for (const child of children.flat(Infinity)) {
      if (child !== null && child !== undefined && child !== false) node.append(child);
    }
    return node;
  }

  const formats = new Map();
  /** A number with so many decimals; a dash for what is not known. */
  function number(value, decimals = 0, least = decimals) {
    if (value === null || value === undefined || !Number.isFinite(value)) return t("none");
    const key = `${language} ${decimals} ${least}`;
    if (!formats.has(key)) {
      formats.set(key, new Intl.NumberFormat(language, { minimumFractionDigits: least, maximumFractionDigits: decimals }));
    }
    return formats.get(key).format(value);
  }

  const percent = (share, decimals = 1) =>
    share === null || share === undefined ? t("none") : t("percent", { value: number(share * 100, decimals) });

  /** A measure in the unit of its rule. */
  function measure(value, unit) {
    if (value === null || value === undefined) return t("none");
    if (unit === "share") return percent(value, 2);
    if (unit === "trees/100 m") return t("trees_per_100_m", { value: number(value, 1) });
    const text = number(value, 2, 0);
    return unit ? `${text}\u00a0${unit.replace(/^m([23])$/, (all, power) => (power === "2" ? "m²" : "m³"))}` : text;
  }

  /** Steps back to places: [[x, y], …], in units of `unit`. */
  function places(steps, unit = 0.01) {
    const found = [];
    let x = 0;
    let y = 0;
    for (let i = 0; i + 1 < steps.length; i += 2) {
      x += steps[i];
      y += steps[i + 1];
      found.push([x * unit, y * unit]);
    }
    return found;
  }

  /** Path data of a line or ring; y grows downwards on a screen, northings do not. */
  function path(steps, closed, unit = 0.01) {
    let d = "";
    let x = 0;
    let y = 0;
    const end = closed ? steps.length - 2 : steps.length;
    for (let i = 0; i + 1 < Math.max(end, 2); i += 2) {
      x += steps[i];
      y += steps[i + 1];
      d += `${i === 0 ? "M" : "L"}${+(x * unit).toFixed(2)} ${+(-y * unit).toFixed(2)}`;
    }
    return closed ? d + "z" : d;
  }

  const paths = (rings, closed = true, unit = 0.01) => rings.map((ring) => path(ring, closed, unit)).join("");

  /** Status or verdict as a sign whose shape tells it without colour: disc, triangle, square, ring, dash. */
  function sign(status, size = 16) {
    const shapes = {
      ok: ["circle", { cx: 8, cy: 8, r: 7.5, class: "sign-ok" }, "M4.4 8.2l2.6 2.8 4.8-5.8"],
      pass: ["circle", { cx: 8, cy: 8, r: 7.5, class: "sign-ok" }, "M4.4 8.2l2.6 2.8 4.8-5.8"],
      warn: ["path", { d: "M8 .8l7.6 14.2h-15.2z", class: "sign-warn" }, "M8 5.2v5M8 11.6v1.8"],
      fail: ["rect", { x: 0.8, y: 0.8, width: 14.4, height: 14.4, class: "sign-fail" }, "M4.6 4.6l6.8 6.8M11.4 4.6l-6.8 6.8"],
      unknown: ["circle", { cx: 8, cy: 8, r: 7, class: "sign-unknown" }, "M5.8 6.2a2.2 2.2 0 1 1 2.9 2.3q-.7.3-.7 1.4M8 11.4v1.4"],
      not_applicable: ["circle", { cx: 8, cy: 8, r: 7, class: "sign-none" }, "M4.8 8h6.4"],
    };
    const [tag, attributes, stroke] = shapes[status] || shapes.unknown;
    return svg("svg", { class: "sign", viewBox: "0 0 16 16", width: size, height: size, "aria-hidden": "true", focusable: "false" },
      svg(tag, attributes), svg("path", { d: stroke, class: `sign-ink ink-${status}` }));
  }

  const verdict = (status, word) => el("span", { class: "verdict" }, sign(status), word);

  /** Says something to readers who do not see the page. */
  function say(text) {
    document.getElementById("said").textContent = text;
  }

  /** Loads a block's data script, once at a time: each calls `block` when it runs. */
  let queue = Promise.resolve();
  function load(row) {
    const job = () => new Promise((resolve, reject) => {
      if (waiting.has(row.file)) return resolve(waiting.get(row.file));
      arriving = (block) => {
        if (waiting.size >= 8) waiting.delete(waiting.keys().next().value);
        waiting.set(row.file, block);
        resolve(block);
      };
      const script = el("script", { src: `data/blocks/${encodeURIComponent(row.file)}.js` });
      script.addEventListener("error", () => { script.remove(); reject(new Error(row.file)); });
      // A script that ran without giving a block was no data of ours.
      script.addEventListener("load", () => { script.remove(); reject(new Error(row.file)); });
      document.head.append(script);
    });
    queue = queue.catch(() => {}).then(job);
    return queue;
  }

  return {
    t, named, el, svg, number, percent, measure, places, path, paths, sign, verdict, say, load,
    words(of, table) { tables[of] = table; },
    overview(given) {
      const rows = given.rows.map((row, index) => {
        const named = Object.fromEntries(given.columns.map((column, at) => [column, row[at]]));
        return Object.assign(named, { index });
      });
      data = { ...given, rows };
      document.dispatchEvent(new Event("overview"));
    },
    block(given) { if (arriving) { const done = arriving; arriving = null; done(given); } },
    get data() { return data; },
    get language() { return language; },
    set language(wanted) { language = Object.hasOwn(tables, wanted) ? wanted : "en"; },
    get languages() { return Object.keys(tables); },
  };
})();
