"use strict";
/* What the plots of a page share: one time axis, its keys and buttons, colours of the theme, printing. */
const Plots = (() => {
  const all = [];
  const page = JSON.parse(document.getElementById("data").textContent);
  const whole = page.span;
  const shortest = Math.max((whole[1] - whole[0]) / 1e5, 0.001);
  let shown = whole.slice();
  let following = false;

  const color = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();

  /** Signed bytes out of base64. */
  const bytes = (text) => Int8Array.from(atob(text), (sign) => (sign.charCodeAt(0) << 24) >> 24);

  /** Seconds with as many digits as steps of this size need. */
  const seconds = (value, step) => {
    const digits = [0, 1, 2, 3, 4].find((n) => Math.abs(step * 10 ** n - Math.round(step * 10 ** n)) < 1e-6 * 10 ** n);
    return value.toFixed(digits ?? 4);
  };

  function timeAxis(label) {
    return {
      stroke: () => color("faint"), grid: { stroke: () => color("grid"), width: 1 }, ticks: { stroke: () => color("grid"), width: 1 },
      font: "12px system-ui, sans-serif", labelFont: "12px system-ui, sans-serif", size: label ? 46 : 26, labelSize: 18, label,
      values: (_, splits, __, ___, step) => splits.map((split) => seconds(split, step)),
    };
  }

  function show(from, to) {
    const room = whole[1] - whole[0];
    let width = Math.min(Math.max(to - from, shortest), room);
    if (!(width > 0)) return;
    const start = Math.min(Math.max(from, whole[0]), whole[1] - width);
    shown = [start, start + width];
    following = true;
    for (const plot of all) plot.setScale("x", { min: shown[0], max: shown[1] });
    following = false;
    const said = document.getElementById("shown");
    if (said) said.textContent = `${shown.map((end) => end.toFixed(width > 10 ? 1 : 3)).join(" to ")} s`;
  }

  const moves = {
    in: () => show(shown[0] + (shown[1] - shown[0]) / 4, shown[1] - (shown[1] - shown[0]) / 4),
    out: () => show(shown[0] - (shown[1] - shown[0]) / 2, shown[1] + (shown[1] - shown[0]) / 2),
    earlier: () => show(shown[0] - (shown[1] - shown[0]) / 4, shown[1] - (shown[1] - shown[0]) / 4),
    later: () => show(shown[0] + (shown[1] - shown[0]) / 4, shown[1] + (shown[1] - shown[0]) / 4),
    whole: () => show(whole[0], whole[1]),
  };
  const keys = { "+": "in", "=": "in", "-": "out", ArrowLeft: "earlier", ArrowRight: "later", 0: "whole", Home: "whole" };

  function add(place, options, data) {
    const width = () => Math.max(320, place.clientWidth);
    const plot = new uPlot({
      ...options,
      width: width(),
      legend: { show: false },
      padding: [8, 16, 0, 0],
      scales: { ...options.scales, x: { time: false, min: whole[0], max: whole[1] } },
      cursor: { sync: { key: "time" }, drag: { x: true, y: false }, points: { show: false }, ...options.cursor },
      hooks: {
        ...options.hooks,
        setScale: [(u, key) => { if (key === "x" && !following) show(u.scales.x.min, u.scales.x.max); }],
      },
    }, data, place);
    plot.over.addEventListener("dblclick", (event) => { event.stopImmediatePropagation(); moves.whole(); }, true);
    place.addEventListener("keydown", (event) => {
      const move = keys[event.key];
      if (move && !event.ctrlKey && !event.metaKey && !event.altKey) { moves[move](); event.preventDefault(); }
    });
    new ResizeObserver(() => { if (Math.abs(plot.width - width()) > 1) plot.setSize({ width: width(), height: options.height }); }).observe(place);
    all.push(plot);
    return plot;
  }

  /** Stretches of findings behind a plot, with their numbers; of all, of the one with this number, or of one bus. */
  function drawFindings(u, only = 0, bus = "") {
    const { ctx, bbox } = u, numbers = [];
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    ctx.font = `${11 * uPlot.pxRatio}px system-ui, sans-serif`;
    ctx.textAlign = "left"; ctx.textBaseline = "alphabetic";
    for (const [from, to, number, severity, its = ""] of page.findings) {
      if ((only && number !== only) || (bus && its && its !== bus)) continue;
      const left = u.valToPos(from, "x", true), right = Math.max(u.valToPos(to, "x", true), left + 2 * uPlot.pxRatio);
      if (right < bbox.left || left > bbox.left + bbox.width) continue;
      ctx.globalAlpha = right - left > bbox.width * 0.9 ? 0.25 : 0.6;
      ctx.fillStyle = color(severity + "-wash");
      ctx.fillRect(left, bbox.top, right - left, bbox.height);
      numbers.push([number, color(severity), Math.max(left, bbox.left) + 2 * uPlot.pxRatio]);
    }
    ctx.globalAlpha = 1;
    for (const [number, ink, left] of numbers) {
      ctx.fillStyle = ink;
      ctx.fillText(String(number), left, bbox.top + 11 * uPlot.pxRatio);
    }
    ctx.restore();
  }

  const repaint = () => { for (const plot of all) plot.redraw(false, true); };

  function start() {
    for (const button of document.querySelectorAll("[data-move]")) button.addEventListener("click", moves[button.dataset.move]);
    for (const button of document.querySelectorAll("[data-from]")) {
      button.addEventListener("click", () => {
        const from = Number(button.dataset.from), to = Number(button.dataset.to), pad = Math.max((to - from) / 2, (whole[1] - whole[0]) / 100);
        show(from - pad, to + pad);
        document.getElementById(button.dataset.place).scrollIntoView();
      });
    }
    for (const table of document.querySelectorAll("table.sortable")) sortable(table);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
    /* Paper is white, and as wide as it is. */
    addEventListener("beforeprint", () => {
      document.documentElement.dataset.theme = "light";
      for (const plot of all) plot.setSize({ width: 690, height: plot.height });
      repaint();
    });
    addEventListener("afterprint", () => {
      delete document.documentElement.dataset.theme;
      for (const plot of all) plot.setSize({ width: Math.max(320, plot.root.parentNode.clientWidth), height: plot.height });
      repaint();
    });
    moves.whole();
  }

  function sortable(table) {
    const heads = [...table.tHead.rows[0].cells], body = table.tBodies[0];
    if (body.rows.length < 2) return;
    heads.forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      const key = (row) => row.cells[column].dataset.key ?? row.cells[column].textContent.trim();
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        heads.forEach((other) => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const rows = [...body.rows].sort((a, b) => {
          const [p, q] = [parseFloat(key(a).replace(/,/g, "")), parseFloat(key(b).replace(/,/g, ""))];
          const order = head.classList.contains("number")
            ? (isNaN(p) ? -Infinity : p) - (isNaN(q) ? -Infinity : q) || 0
            : key(a).localeCompare(key(b));
          return down ? -order : order;
        });
        body.append(...rows);
      });
    });
  }

  return { page, add, start, color, bytes, timeAxis, drawFindings };
})();
