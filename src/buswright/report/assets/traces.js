"use strict";
/* The plots of a diagnosis: raw, volts and value of a channel with its quality, and its neighbours to compare. */
(() => {
  const { page, color } = Plots;
  const KINDS = { i4: Int32Array, u1: Uint8Array, u2: Uint16Array, f4: Float32Array, f8: Float64Array };
  const STRIP = 14;
  const HIGH = [0, 3, 7, 12], SHADES = [null, "quiet", "uneasy", "bad"];

  /** Numbers out of base64; little-endian, as every machine that shows pages. */
  const numbers = ([kind, text]) => new KINDS[kind](Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0)).buffer);

  const runs = (from, to, level) => Array.from(level, (each, k) => [from[k] * page.tick, to[k] * page.tick, each]);

  const channels = {};
  for (const [name, channel] of Object.entries(page.channels)) {
    const columns = {};
    for (const [column, unit, text] of channel.columns) {
      columns[column] = { unit, values: Array.from(numbers(text), (value) => (Number.isFinite(value) ? value : null)) };
    }
    channels[name] = {
      kind: channel.kind, columns,
      time: Array.from(numbers(channel.time), (ticks) => ticks * page.tick),
      quality: channel.quality ? numbers(channel.quality) : null,
      strip: runs(...channel.strip.map(numbers)),
    };
  }

  /** A number with about six digits, without empty ones. */
  const short = (value) => String(Number(value.toPrecision(6)));

  function tracePlot(place, name, column, { own, number, last }) {
    const channel = channels[name], { unit, values } = channel.columns[column], strip = column === "value";
    const height = (own ? 120 : 96) + (strip ? STRIP : 0) + (last ? 46 : 12);
    const axis = Plots.timeAxis(last ? "seconds from the first frame" : undefined);
    if (!last) Object.assign(axis, { values: (_, splits) => splits.map(() => ""), size: 8 });
    Plots.add(place, {
      height,
      scales: { y: { range: (u, low, high) => room(low, high, strip ? STRIP / (height - (last ? 54 : 20)) : 0) } },
      cursor: { y: false },
      axes: [axis, {
        stroke: () => color("faint"), grid: { stroke: () => color("grid"), width: 1 }, ticks: { show: false }, size: 64, space: 24,
        font: "12px system-ui, sans-serif", values: (_, splits) => splits.map(short),
      }],
      series: [{}, {
        stroke: () => color(own ? "load" : "slow"), width: own ? 1.5 : 1, points: { size: 4 },
        ...(channel.kind === "state" ? { paths: uPlot.paths.stepped({ align: 1 }) } : {}),
      }],
      hooks: {
        drawClear: [(u) => { if (number) Plots.drawFindings(u, number); }],
        draw: [(u) => { if (strip) drawStrip(u, channel.strip); }],
        setCursor: [(u) => { place.parentNode.querySelector(".at").textContent = words(u, channel, values, unit); }],
      },
    }, [channel.time, values]);
  }

  /** What the axis shows: all values, and below them the strip. */
  function room(low, high, strip) {
    if (low == null) return [0, 1];
    const wide = high - low || Math.abs(high) / 10 || 1;
    return [low - wide * (0.06 + strip * 1.4), high + wide * 0.06];
  }

  function drawStrip(u, strip) {
    const { ctx, bbox } = u, ratio = uPlot.pxRatio, bottom = bbox.top + bbox.height;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    for (const [from, to, level] of strip) {
      const left = u.valToPos(from, "x", true), right = Math.max(u.valToPos(to, "x", true), left + ratio);
      if (right < bbox.left || left > bbox.left + bbox.width) continue;
      ctx.fillStyle = color(SHADES[level]);
      ctx.fillRect(left, bottom - HIGH[level] * ratio, right - left, HIGH[level] * ratio);
    }
    ctx.restore();
  }

  function words(u, channel, values, unit) {
    const at = u.cursor.idx;
    if (at == null) return "";
    const bits = channel.quality ? channel.quality[at] : 0;
    const why = page.reasons.filter(([bit]) => bits & bit).map(([, reason]) => reason).join("; ");
    const value = values[at] == null ? "no value" : `${short(values[at])} ${unit}`;
    return `${channel.time[at].toFixed(3)} s: ${value}${why ? ` (${why})` : ""}`;
  }

  page.groups.forEach((group, k) => group.names.forEach((name, n) => {
    const columns = n ? ["value"] : Object.keys(channels[name].columns);
    columns.forEach((column, c) => {
      const last = n === group.names.length - 1 && c === columns.length - 1;
      tracePlot(document.getElementById(`trace-${k}-${n}-${column}`), name, column, { own: n === 0, number: group.number, last });
    });
  }));
  Plots.start();
})();
