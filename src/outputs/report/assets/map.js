// A map that is moved by mouse, touch and keyboard. What is drawn on it comes from the pages.
"use strict";
blockwrightReport.Map = (() => {
  const { t, el, svg, number, say } = blockwrightReport;
  const MOST_PX_PER_M = 60;
  let count = 0;

  class Map {
    /** `box`: least x, least y, largest x, largest y in metres, y northwards. */
    constructor({ label, box, margin, onread }) {
      this.box = box;
      this.margin = margin;
      this.hooks = [];
      this.onread = onread;
      this.prefix = `m${++count}-`;
      this.defs = svg("defs", {});
      for (const pattern of document.querySelectorAll(".patterns pattern")) {
        const copy = pattern.cloneNode(true);
        copy.id = this.prefix + pattern.id;
        copy.dataset.turn = /rotate\((-?\d+)\)/.exec(pattern.getAttribute("patternTransform") || "")?.[1] ?? "0";
        this.defs.append(copy);
      }
      this.ground = svg("g", {});
      this.marks = svg("g", {});
      this.over = svg("g", { class: "map-over", "aria-hidden": "true" });
      const help = `${this.prefix}help`;
      this.svg = svg("svg", { class: "map", tabindex: "0", role: "application", "aria-label": label, "aria-describedby": help,
        "aria-roledescription": t("map_role") }, this.defs, this.ground, this.marks, this.over);
      this.cross = el("div", { class: "cross", "aria-hidden": "true" });
      const button = (sign, key, act) => el("button", { type: "button", title: t(key), "aria-label": t(key), onclick: act }, sign);
      const icon = (d) => svg("svg", { viewBox: "0 0 16 16", width: 16, height: 16, "aria-hidden": "true" },
        svg("path", { d, class: "icon" }));
      this.scaleLine = svg("path", { class: "scale-line" });
      this.scaleText = svg("text", { class: "scale-text" });
      this.over.append(this.scaleLine, this.scaleText);
      this.node = el("div", { class: "map-frame" }, this.svg, this.cross,
        el("div", { class: "map-buttons", role: "group", "aria-label": t("map_buttons") },
          button(icon("M8 2v12M2 8h12"), "zoom_in", () => this.zoom(1.6)),
          button(icon("M2 8h12"), "zoom_out", () => this.zoom(1 / 1.6)),
          button(icon("M2 6V2h4M10 2h4v4M14 10v4h-4M6 14H2v-4"), "zoom_fit", () => this.fit())),
        svg("svg", { class: "north", viewBox: "0 0 24 40", width: 24, height: 40, role: "img", "aria-label": t("grid_north") },
          svg("path", { d: "M12 2l-8 26 8-5z", class: "north-dark" }), svg("path", { d: "M12 2l8 26-8-5z", class: "north-light" }),
          svg("text", { x: 12, y: 39, text: t("north") })),
        el("p", { class: "map-hint", "aria-hidden": "true", text: t("map_hint") }),
        el("p", { id: help, class: "aside-text", text: t("map_help") }));
      this.listen();
      this.seen = new ResizeObserver(() => this.resized());
      this.seen.observe(this.node);
      this.before = () => this.print(true);
      this.after = () => this.print(false);
      addEventListener("beforeprint", this.before);
      addEventListener("afterprint", this.after);
    }

    /** Says for a moment how to zoom. */
    hint() {
      const hint = this.node.querySelector(".map-hint");
      hint.classList.add("shown");
      clearTimeout(this.hinted);
      this.hinted = setTimeout(() => hint.classList.remove("shown"), 1500);
    }

    /** On paper marks keep their size and the same ground is shown: the frame there is about as large as this. */
    print(on) {
      if (on === Boolean(this.paper)) return;
      const [width, height] = this.size();
      if (on) {
        this.screen = this.k;
        this.paper = this.node.closest(".work") ? [440, 500] : [660, 500];
        [this.width, this.height] = this.paper;
        this.k *= Math.min(this.width / width, this.height / height);
      } else {
        this.paper = null;
        this.k = this.screen;
        [this.width, this.height] = this.size();
      }
      this.apply();
    }

    size() {
      if (this.paper) return this.paper;
      const { width, height } = this.svg.getBoundingClientRect();
      return [width || 600, height || 400];
    }

    resized() {
      if (this.paper) return;
      const [width, height] = this.size();
      if (this.width === width && this.height === height) return;
      const before = this.width;
      this.width = width;
      this.height = height;
      if (before && this.moved) this.apply();
      else this.fit(false);
    }

    /** Shows a box, or everything. */
    fit(box = false, least = 0) {
      this.moved = Boolean(box);
      const [x0, y0, x1, y1] = box || this.box;
      const margin = box ? 0 : this.margin;
      const [width, height] = this.size();
      const across = Math.max(x1 - x0 + 2 * margin, least, 1);
      const up = Math.max(y1 - y0 + 2 * margin, least, 1);
      this.k = Math.min(width / across, height / up, MOST_PX_PER_M);
      if (!box) this.k0 = this.k;
      this.x = (x0 + x1) / 2;
      this.y = -(y0 + y1) / 2;
      this.apply();
    }

    zoom(by, px, py) {
      const [width, height] = this.size();
      const sx = px ?? width / 2;
      const sy = py ?? height / 2;
      const k = Math.min(Math.max(this.k * by, (this.k0 || this.k) / 4), MOST_PX_PER_M);
      this.x += (sx - width / 2) * (1 / this.k - 1 / k);
      this.y += (sy - height / 2) * (1 / this.k - 1 / k);
      this.k = k;
      this.moved = true;
      this.apply();
    }

    pan(dx, dy) {
      this.x -= dx / this.k;
      this.y -= dy / this.k;
      this.moved = true;
      this.apply();
    }

    apply() {
      const [width, height] = this.size();
      const k = this.k;
      [this.width, this.height] = [width, height];
      // On paper the frame has another size: the drawing is then fitted into it.
      this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
      this.ground.setAttribute("transform", `translate(${width / 2} ${height / 2}) scale(${k}) translate(${-this.x} ${-this.y})`);
      for (const pattern of this.defs.children) {
        const turn = pattern.id.endsWith("h-day") ? this.hatchTurn ?? -45 : pattern.dataset.turn;
        pattern.setAttribute("patternTransform", `scale(${1 / k}) rotate(${turn})`);
      }
      this.drawScale();
      for (const hook of this.hooks) hook(this);
    }

    /** Where a place stands on the screen; y northwards. */
    at(x, y) {
      return [this.width / 2 + (x - this.x) * this.k, this.height / 2 + (-y - this.y) * this.k];
    }

    drawScale() {
      const longest = 120 / this.k;
      const power = 10 ** Math.floor(Math.log10(longest));
      const length = [5, 2, 1].map((step) => step * power).find((step) => step <= longest);
      const text = length >= 1000 ? t("kilometres", { value: number(length / 1000) }) : t("metres", { value: number(length, 2, 0) });
      const y = this.size()[1] - 14;
      this.scaleLine.setAttribute("d", `M12 ${y - 12}v12h${(length * this.k).toFixed(1)}v-12`);
      this.scaleText.textContent = text;
      this.scaleText.setAttribute("x", 12 + (length * this.k) / 2);
      this.scaleText.setAttribute("y", y - 4);
    }

    hatch(element, name) {
      element.setAttribute("fill", `url(#${this.prefix}${name})`);
    }

    listen() {
      const held = new globalThis.Map();
      let apart = 0;
      let dragged = 0;
      const place = (event) => {
        const box = this.svg.getBoundingClientRect();
        return [event.clientX - box.left, event.clientY - box.top];
      };
      const spread = () => {
        const [a, b] = [...held.values()];
        return Math.hypot(a[0] - b[0], a[1] - b[1]);
      };
      // Without a key the wheel scrolls the page, as one finger does; two fingers on a touch pad come as a wheel with Ctrl.
      this.svg.addEventListener("wheel", (event) => {
        if (!event.ctrlKey && !event.metaKey && !event.shiftKey) return this.hint();
        event.preventDefault();
        const [x, y] = place(event);
        // Some browsers turn the wheel aside with the shift key.
        const turn = event.deltaY || event.deltaX;
        const step = event.deltaMode === 1 ? turn * 20 : turn;
        this.zoom(Math.exp(-Math.max(-240, Math.min(240, step)) / 400), x, y);
      }, { passive: false });
      this.svg.addEventListener("pointerdown", (event) => {
        if (event.button > 0) return;
        held.set(event.pointerId, place(event));
        dragged = held.size > 1 ? 99 : 0;
        if (held.size === 2) apart = spread();
      });
      this.svg.addEventListener("pointermove", (event) => {
        const before = held.get(event.pointerId);
        if (!before) return;
        const now = place(event);
        held.set(event.pointerId, now);
        const [dx, dy] = [now[0] - before[0], now[1] - before[1]];
        dragged += Math.hypot(dx, dy);
        if (dragged > 4 && !this.svg.hasPointerCapture(event.pointerId)) this.svg.setPointerCapture(event.pointerId);
        // One finger scrolls the page: the browser takes it over.
        if (held.size === 1 && dragged > 4 && event.pointerType !== "touch") this.pan(dx, dy);
        if (held.size === 2) {
          const [a, b] = [...held.values()];
          const wide = spread();
          this.pan(dx / 2, dy / 2);
          if (apart > 0) this.zoom(wide / apart, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
          apart = wide;
        }
      });
      const gone = (event) => held.delete(event.pointerId);
      for (const name of ["pointerup", "pointercancel"]) this.svg.addEventListener(name, gone);
      // A drag is no click.
      this.svg.addEventListener("click", (event) => {
        if (dragged > 4) { event.stopImmediatePropagation(); event.preventDefault(); }
        dragged = 0;
      }, true);
      this.svg.addEventListener("dblclick", (event) => { event.preventDefault(); this.zoom(2, ...place(event)); });
      this.svg.addEventListener("keydown", (event) => {
        if (event.ctrlKey || event.metaKey || event.altKey) return;
        const step = event.shiftKey ? 160 : 50;
        const acts = {
          ArrowLeft: () => this.pan(step, 0), ArrowRight: () => this.pan(-step, 0),
          ArrowUp: () => this.pan(0, step), ArrowDown: () => this.pan(0, -step),
          "+": () => this.zoom(1.4), "=": () => this.zoom(1.4), "-": () => this.zoom(1 / 1.4),
          0: () => this.fit(), Home: () => this.fit(),
          Escape: () => blockwrightReport.tip(null),
          Enter: () => { const words = this.read(); if (words) say(words); },
        };
        const act = acts[event.key];
        if (!act) return;
        event.preventDefault();
        act();
      });
    }

    /** What stands in the middle of the map, in words. */
    read() {
      if (!this.onread) return "";
      const box = this.svg.getBoundingClientRect();
      return this.onread(box.left + box.width / 2, box.top + box.height / 2) || t("nothing_here");
    }

    close() {
      removeEventListener("beforeprint", this.before);
      removeEventListener("afterprint", this.after);
      this.seen.disconnect();
    }
  }

  return Map;
})();
