// One panel: a trace over the common axis, the siblings behind it, the instants across it.
/* global uPlot */

export const PANELS = {
  resistance: { title: "resistance, µΩ", height: 230, scale: "log" },
  voltage: { title: "voltage, V", height: 120, scale: "bent" },
  current: { title: "current, A", height: 110 },
  travel: { title: "travel, mm", height: 110 },
  speed: { title: "speed, m/s", height: 110 },
};

// Marks of the voltage: it is shown linear near zero and logarithmic beyond, so that drop and open circuit are both seen.
const BENT = [-10, -1, -0.1, 0, 0.1, 1, 10, 100];
const INK = "#1c2226";
const FONT = '11px "Helvetica Neue", Arial, "Liberation Sans", "DejaVu Sans", sans-serif';

// Least and greatest of each column one above the other: a lone spike is a line of its own.
export function points(x, trace, floor) {
  const xs = [];
  const ys = [];
  const put = (at, v) => {
    xs.push(at);
    ys.push(Number.isNaN(v) ? null : floor === undefined ? v : Math.max(v, floor));
  };
  for (let k = 0; k < x.length; k += 1) {
    put(x[k], trace.low[k]);
    if (trace.high[k] !== trace.low[k] && !Number.isNaN(trace.high[k])) put(x[k], trace.high[k]);
  }
  return [xs, ys];
}

function spanOf(name, ceiling) {
  return (u, low, high) => {
    if (low === null || high === null || !Number.isFinite(low) || !Number.isFinite(high)) return name === "resistance" ? [1, 1000] : [0, 1];
    if (name === "resistance") {
      // From a round figure, where the marks of a logarithmic axis begin.
      const least = Math.max(1, low / 1.3);
      const size = 10 ** Math.floor(Math.log10(least));
      return [Math.floor(least / size) * size, Math.max(Math.min(high * 1.6, ceiling), low * 3)];
    }
    const room = 0.06 * (high - low) || 0.5;
    return [low - room, high + room];
  };
}

export function panel(root, name, width, pane) {
  const about = PANELS[name];
  const y = { range: spanOf(name, pane.ceiling) };
  if (about.scale === "log") y.distr = 3;
  if (about.scale === "bent") Object.assign(y, { distr: 4, asinh: 0.02 });
  const last = pane.names[pane.names.length - 1] === name;
  const axis = { stroke: INK, font: FONT, labelFont: FONT, labelSize: 14, labelGap: 0, grid: { stroke: "#e4e9ec", width: 1 }, ticks: { stroke: "#8c979e", size: 4 } };
  const plot = new uPlot(
    {
      width,
      height: Math.round(about.height * pane.share) + (last ? 34 : 0),
      padding: [6, 8, last ? 0 : 4, 0],
      legend: { show: false },
      cursor: {
        x: true,
        y: false,
        points: { show: false },
        sync: { key: "drm", setSeries: false, scales: ["x", null] },
        drag: { x: true, y: false, dist: 4 },
        bind: { dblclick: () => () => pane.go("first") },
      },
      scales: { x: { time: false }, y },
      axes: [
        { ...axis, show: last, label: last ? pane.axisTitle : undefined, size: 26 },
        { ...axis, label: about.title, size: 52, splits: about.scale === "bent" ? (u, k, low, high) => BENT.filter((v) => v >= low && v <= high) : undefined, values: (u, ticks) => ticks.map((v) => (v === null ? "" : plain(v))) },
      ],
      series: [{}, { stroke: INK, width: 1.25, points: { show: () => pane.few, size: 5 }, spanGaps: false }],
      hooks: {
        setScale: [(u, key) => key === "x" && pane.scaled(u)],
        drawClear: [(u) => name === "resistance" && drawBand(u, pane.band)],
        draw: [(u) => drawInstants(u, pane)],
        setCursor: [(u) => pane.pointed(u)],
      },
    },
    [[], []],
    root,
  );
  plot.root.setAttribute("role", "img");
  plot.root.setAttribute("aria-label", about.title);
  return plot;
}

function plain(v) {
  const size = Math.abs(v);
  return size !== 0 && (size >= 1e5 || size < 1e-3) ? v.toExponential(0) : Number(v.toPrecision(6)).toString();
}

function inside(u, draw) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  draw(ctx, bbox);
  ctx.restore();
}

function drawBand(u, band) {
  if (!band || !band.x.length || u.scales.y.min === null || u.scales.y.min === undefined) return;
  const px = (v) => u.valToPos(v, "x", true);
  const py = (v) => u.valToPos(Math.max(v, 0.5), "y", true);
  inside(u, (ctx) => {
    ctx.fillStyle = "#b9c3caa6";
    let run = [];
    const close = () => {
      if (run.length > 1) {
        ctx.beginPath();
        run.forEach((k, n) => ctx[n ? "lineTo" : "moveTo"](px(band.x[k]), py(band.high[k])));
        run.reverse().forEach((k) => ctx.lineTo(px(band.x[k]), py(band.low[k])));
        ctx.fill();
      }
      run = [];
    };
    band.x.forEach((_, k) => (band.low[k] === null ? close() : run.push(k)));
    close();
    ctx.strokeStyle = "#5b666d";
    ctx.lineWidth = 1.2 * devicePixelRatio;
    ctx.setLineDash([5 * devicePixelRatio, 3 * devicePixelRatio]);
    ctx.beginPath();
    let pen = false;
    band.x.forEach((at, k) => {
      if (band.median[k] === null) pen = false;
      else {
        ctx[pen ? "lineTo" : "moveTo"](px(at), py(band.median[k]));
        pen = true;
      }
    });
    ctx.stroke();
  });
}

const LINES = {
  found: { color: "#6a757c", dash: [1.5, 3], width: 1.5 },
  main: { color: "#0072b2", dash: [], width: 1.8 },
  arcing: { color: "#a34700", dash: [6, 3], width: 1.8 },
};

function drawInstants(u, pane) {
  inside(u, (ctx, bbox) => {
    for (const { kind, x } of pane.lines()) {
      const look = LINES[kind];
      const at = Math.round(u.valToPos(x, "x", true));
      ctx.strokeStyle = look.color;
      ctx.lineWidth = look.width * devicePixelRatio;
      ctx.setLineDash(look.dash.map((d) => d * devicePixelRatio));
      ctx.beginPath();
      ctx.moveTo(at, bbox.top);
      ctx.lineTo(at, bbox.top + bbox.height);
      ctx.stroke();
    }
  });
}
