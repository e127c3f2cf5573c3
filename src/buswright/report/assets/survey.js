"use strict";
/* Traces of unknown fields: small plots under each other, on one time axis. */
const traces = Plots.page.traces;

for (const [key, trace] of Object.entries(traces)) {
  Plots.add(document.getElementById(key), {
    height: 110,
    scales: { y: { auto: true } },
    axes: [
      Plots.timeAxis(""),
      {
        stroke: () => Plots.color("faint"), grid: { stroke: () => Plots.color("grid"), width: 1 }, size: 64,
        ticks: { stroke: () => Plots.color("grid"), width: 1 }, font: "12px system-ui, sans-serif", space: 24,
      },
    ],
    series: [
      {},
      {
        stroke: () => Plots.color("load"), width: 1, points: { show: false },
        ...(trace.steps ? { paths: uPlot.paths.stepped({ align: 1 }) } : {}),
      },
    ],
  }, [trace.x, trace.y]);
}
Plots.start();
