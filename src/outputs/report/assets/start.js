// Which page is shown, and in which language.
"use strict";
(() => {
  const report = blockwrightReport;
  const { t, el, say } = report;
  const KEY = "blockwright-language";
  let leave = null;
  let seen = null;
  let first = true;

  function remembered() {
    // A page from disk may be forbidden to remember anything.
    try { return localStorage.getItem(KEY); } catch { return null; }
  }

  function choose() {
    const asked = [remembered(), ...(navigator.languages || [navigator.language || "en"])];
    const found = asked.filter(Boolean).map((tag) => tag.slice(0, 2).toLowerCase()).find((tag) => report.languages.includes(tag));
    report.language = found || "en";
  }

  function speak() {
    document.documentElement.lang = report.language;
    for (const node of document.querySelectorAll("[data-t]")) node.textContent = t(node.dataset.t);
    for (const node of document.querySelectorAll("[data-t-label]")) node.setAttribute("aria-label", t(node.dataset.tLabel));
    for (const button of document.querySelectorAll("[data-language]")) {
      button.setAttribute("aria-pressed", String(button.dataset.language === report.language));
    }
  }

  function wanted() {
    const asked = new URLSearchParams(location.hash.replace(/^#/, "").replace(/\+/g, "%2B"));
    return { id: asked.get("block"), finding: Number(asked.get("finding")) || 0 };
  }

  function message(main, head, text) {
    main.replaceChildren(el("nav", { class: "ways" }, el("a", { href: "#", text: t("all_blocks") })), el("h1", { text: head }), el("p", { text }));
  }

  async function show() {
    const main = document.getElementById("main");
    const here = { ...wanted() };
    seen = here;
    if (!report.data) return message(main, t("no_data_head"), t("no_data"));
    const end = () => { if (leave) leave(); leave = null; };
    const row = here.id === null ? null : report.data.rows.find((row) => row.id === here.id);
    document.getElementById("project").textContent = here.id === null ? "" : report.data.project;
    if (here.id === null) {
      end();
      leave = report.drawOverview(main);
      document.title = `${report.data.project} – ${t("report_title")}`;
    } else if (!row) {
      end();
      message(main, t("no_such_block_head"), t("no_such_block", { id: here.id }));
      document.title = t("no_such_block_head");
    } else {
      main.setAttribute("aria-busy", "true");
      try {
        const block = await report.load(row);
        // Somebody went on while the file was read.
        if (seen !== here) return;
        end();
        leave = report.drawBlock(main, row, block, here.finding);
      } catch {
        if (seen !== here) return;
        end();
        message(main, t("block", { id: row.id }), t("block_missing", { file: `report/data/blocks/${row.file}.js` }));
      } finally {
        main.removeAttribute("aria-busy");
      }
      document.title = `${t("block", { id: row.id })} – ${report.data.project}`;
    }
    if (!first) {
      scrollTo(0, 0);
      main.focus({ preventScroll: true });
      say(document.title);
    }
    first = false;
  }

  addEventListener("hashchange", (event) => {
    // The skip link moves within a page.
    if (new URL(event.newURL).hash === "#main") return;
    show();
  });
  document.querySelector(".skip").addEventListener("click", (event) => {
    event.preventDefault();
    document.getElementById("main").focus();
  });
  for (const button of document.querySelectorAll("[data-language]")) {
    button.addEventListener("click", () => {
      report.language = button.dataset.language;
      try { localStorage.setItem(KEY, report.language); } catch { /* it is asked again next time */ }
      speak();
      first = true;
      show();
    });
  }
  choose();
  speak();
  document.addEventListener("overview", () => {
    const { program } = report.data;
    document.getElementById("program").textContent = `${program.name} ${program.version}`;
    show();
  });
  const script = el("script", { src: "data/overview.js" });
  script.addEventListener("error", show);
  document.head.append(script);
})();
