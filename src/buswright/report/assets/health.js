"use strict";
/* The plots of the health page: load over time, and a strip of deviations from the period for every identifier. */
(() => {
  const { page, color, bytes } = Plots;
  const LANE = 26;
  /* One width for the words beside every plot, so that a moment stands at one place from the first to the last. */
  /* A phone has room for the identifier alone. */
  const most = innerWidth > 640 ? 30 : 8;
  const short = (label) => (label.length <= most ? label : most < 30 ? label.split(" ")[0] : label.slice(0, most - 1) + "…");
  const widest = Math.max(0, ...page.buses.flatMap((bus) => bus.lanes.map((lane) => short(lane.label).length)));
  const GUTTER = Math.max(64, 14 + widest * 7.2);

  /* -- Load -- */
  function loadPlot(place, bus) {
    const unit = bus.unit, top = unit === "%" ? 100 : null;
    const seen = [bus.time, bus.fast, bus.slow];
    Plots.add(place, {
      height: 190,
      scales: { y: { range: (_, __, max) => [0, top === null ? (max || 1) * 1.1 : Math.max(top, max)] } },
      axes: [Plots.timeAxis("seconds from the first frame"), {
        stroke: () => color("faint"), grid: { stroke: () => color("grid"), width: 1 }, ticks: { show: false }, size: GUTTER,
        font: "12px system-ui, sans-serif", values: (_, splits) => splits.map((value) => `${value} ${unit}`),
      }],
      series: [{}, {
        stroke: () => color("load"), fill: () => color("load-wash"), width: 1, points: { show: false },
        paths: uPlot.paths.stepped({ align: 1 }),
      }, {
        stroke: () => color("slow"), width: 2, points: { show: false }, paths: uPlot.paths.stepped({ align: 1 }),
      }],
      hooks: {
        drawClear: [(u) => Plots.drawFindings(u, 0, bus.name)],
        draw: [(u) => { if (top !== null) limits(u, bus.limits); errors(u, bus.errors); }],
        setCursor: [(u) => { place.previousElementSibling.textContent = loadWords(u, seen, unit); }],
      },
    }, seen);
  }

  function limits(u, lines) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio;
    ctx.save();
    ctx.font = `${11 * ratio}px system-ui, sans-serif`;
    ctx.textAlign = "right"; ctx.textBaseline = "alphabetic";
    ctx.setLineDash([5 * ratio, 4 * ratio]);
    for (const [share, name, words] of lines) {
      const y = u.valToPos(share, "y", true);
      ctx.strokeStyle = ctx.fillStyle = color(name);
      ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(bbox.left + bbox.width, y); ctx.stroke();
      ctx.fillText(words, bbox.left + bbox.width - 4 * ratio, y - 3 * ratio);
    }
    ctx.restore();
  }

  function errors(u, times) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio;
    ctx.save();
    ctx.strokeStyle = color("fault"); ctx.lineWidth = 1.5 * ratio;
    for (const [time] of times) {
      const x = u.valToPos(time, "x", true), y = bbox.top + bbox.height - 6 * ratio, size = 3.5 * ratio;
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.beginPath(); ctx.moveTo(x - size, y - size); ctx.lineTo(x + size, y + size); ctx.moveTo(x + size, y - size); ctx.lineTo(x - size, y + size); ctx.stroke();
    }
    ctx.restore();
  }

  function loadWords(u, seen, unit) {
    const at = u.cursor.idx;
    if (at == null || seen[1][at] == null) return " ";
    return `${seen[0][at].toFixed(1)} s: ${seen[1][at]} ${unit} over 100 ms, ${seen[2][at] ?? "–"} ${unit} over 1 s`;
  }

  /* -- Strips -- */
  const size = (code) => Math.expm1((Math.abs(code) / 127) * Math.log1p(10 / page.finest)) * page.finest;
  const height = (deviation) => Math.min(1, Math.log1p(Math.abs(deviation) / 0.01) / Math.log1p(1 / 0.01));
  const shade = (lane, deviation) => (deviation > lane.jitter[1] ? "bad" : deviation > lane.jitter[0] ? "uneasy" : "quiet");

  function stripPlot(place, bus) {
    const lanes = bus.lanes.map((lane) => ({ ...lane, early: bytes(lane.early), late: bytes(lane.late) }));
    const half = page.width / 2, nothing = page.columns.map(() => null);
    Plots.add(place, {
      height: lanes.length * LANE + 54,
      scales: { y: { range: [0, lanes.length] } },
      cursor: { y: false },
      axes: [Plots.timeAxis("seconds from the first frame"), {
        stroke: () => color("ink"), grid: { show: false }, ticks: { show: false }, size: GUTTER, gap: 4,
        font: "12px ui-monospace, Menlo, Consolas, monospace",
        splits: () => lanes.map((_, k) => lanes.length - k - 0.5),
        values: () => lanes.map((lane) => short(lane.label)),
      }],
      series: [{}, { points: { show: false } }],
      hooks: {
        drawClear: [(u) => Plots.drawFindings(u, 0, bus.name)],
        draw: [(u) => lanes.forEach((lane, k) => drawLane(u, lane, k, lanes.length))],
        setCursor: [(u) => { place.previousElementSibling.textContent = laneWords(u, lanes, half); }],
      },
    }, [page.columns.map((start) => start + half), nothing]);
  }

  function drawLane(u, lane, k, count) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio;
    const middle = u.valToPos(count - k - 0.5, "y", true), room = (bbox.height / count) * 0.44;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    ctx.fillStyle = color("grid");
    ctx.fillRect(bbox.left, middle - ratio / 2, bbox.width, ratio);
    const shades = { quiet: color("quiet"), uneasy: color("uneasy"), bad: color("bad") };
    const [from, to] = [u.scales.x.min, u.scales.x.max];
    page.columns.forEach((start, column) => {
      if (start + page.width < from || start > to || lane.late[column] === -128) return;
      /* A frame stands for the time since the one before, so that a slow identifier's strip isn't full of holes. */
      const end = start + page.width, left = u.valToPos(start - lane.period, "x", true);
      const wide = Math.max(u.valToPos(end, "x", true) - left, ratio);
      if (!lane.periodic) {
        ctx.fillStyle = shades.quiet;
        ctx.fillRect(left, middle - room * 0.15, wide, room * 0.3);
        return;
      }
      for (const [code, up] of [[lane.late[column], 1], [lane.early[column], -1]]) {
        const deviation = Math.sign(code) * up > 0 ? size(code) : 0, high = Math.max(height(deviation) * room, ratio);
        ctx.fillStyle = shades[shade(lane, deviation)];
        ctx.fillRect(left, up > 0 ? middle - high : middle, wide, high);
      }
    });
    for (const [start, long, frames] of lane.gaps) drawGap(u, start, long, frames, middle, room);
    ctx.restore();
  }

  /** Missing frames: an empty box from the last frame before to the first after, crossed out. Late ones: a tick. */
  function drawGap(u, start, long, frames, middle, room) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio;
    const left = u.valToPos(start, "x", true), right = Math.max(u.valToPos(start + long, "x", true), left + 3 * ratio);
    if (right < bbox.left || left > bbox.left + bbox.width) return;
    ctx.strokeStyle = color(frames ? "missing" : "uneasy");
    ctx.lineWidth = 1.5 * ratio;
    if (!frames) {
      ctx.beginPath(); ctx.moveTo(right, middle - room); ctx.lineTo(right, middle + room); ctx.stroke();
      return;
    }
    ctx.fillStyle = color("paper");
    ctx.fillRect(left, middle - room, right - left, 2 * room);
    ctx.strokeRect(left, middle - room, right - left, 2 * room);
    const center = (Math.max(left, bbox.left) + Math.min(right, bbox.left + bbox.width)) / 2, arm = Math.min(room * 0.6, 5 * ratio);
    ctx.beginPath();
    ctx.moveTo(center - arm, middle - arm); ctx.lineTo(center + arm, middle + arm);
    ctx.moveTo(center + arm, middle - arm); ctx.lineTo(center - arm, middle + arm);
    ctx.stroke();
  }

  function laneWords(u, lanes, half) {
    const at = u.cursor.idx, lane = lanes[Math.floor((u.cursor.top / (u.bbox.height / uPlot.pxRatio)) * lanes.length)];
    if (at == null || !lane || u.cursor.left < 0) return " ";
    const start = page.columns[at], head = `${lane.label}, ${start.toFixed(2)} to ${(start + 2 * half).toFixed(2)} s: `;
    const missing = lane.gaps.filter(([gap, long, frames]) => frames && gap < start + 2 * half && gap + long > start);
    const lost = missing.length ? `; ${missing.reduce((sum, gap) => sum + gap[2], 0)} missing from ${missing[0][0].toFixed(3)} s` : "";
    if (lane.late[at] === -128) return head + "nothing came" + lost;
    if (!lane.periodic) return head + "came" + lost;
    const words = (code) => (code === 0 ? "on time" : `about ${(100 * size(code)).toPrecision(2)} % of the period ${code > 0 ? "late" : "early"}`);
    return `${head}from ${words(lane.early[at])} to ${words(lane.late[at])}${lost}`;
  }

  page.buses.forEach((bus, k) => {
    const load = document.getElementById(`load-${k}`), strips = document.getElementById(`strips-${k}`);
    if (load && bus.time.length) loadPlot(load, bus);
    if (strips && bus.lanes.length) stripPlot(strips, bus);
  });
  Plots.start();
})();
