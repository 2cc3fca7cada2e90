// Elements and figures. Whatever comes from a record is put in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export function el(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined && value !== null && value !== false) node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.filter((c) => c !== undefined && c !== null));
  return node;
}

export function bdi(text) {
  return el("bdi", {}, text);
}

export function figure(value, digits = 4) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  return Number(value.toPrecision(digits)).toString();
}

// The zones of one reading on a rail of travel (or time), with the medians of its siblings.
export function rail(reading, range, medians) {
  const width = 240;
  const [low, high] = range;
  const x = (v) => 4 + ((Math.min(Math.max(v, low), high) - low) / (high - low || 1)) * (width - 8);
  const [main, mainU] = reading.bar.main;
  const [arcing, arcingU] = reading.bar.arcing;
  const picture = svg("svg", { viewBox: `0 0 ${width} 15`, preserveAspectRatio: "none", "aria-hidden": "true" });
  picture.append(svg("line", { class: "rail", x1: 4, x2: width - 4, y1: 7.5, y2: 7.5 }));
  const closed = reading.unit === "ms" && reading.kind === "closing" ? high : low;
  const bar = (a, b, kind) => picture.append(svg("rect", { class: kind, x: Math.min(x(a), x(b)), y: 3.5, width: Math.abs(x(b) - x(a)), height: 8 }));
  if (main !== null) bar(closed, main, "zone-main");
  if (main !== null && arcing !== null) bar(main, arcing, "zone-arcing");
  for (const m of medians) if (m !== null) picture.append(svg("line", { class: "median", x1: x(m), x2: x(m), y1: 0, y2: 15 }));
  for (const [at, u] of [[main, mainU], [arcing, arcingU]]) {
    if (at === null || u === null) continue;
    picture.append(svg("line", { class: "whisker", x1: x(at - 2 * u), x2: x(at + 2 * u), y1: 7.5, y2: 7.5 }));
    for (const end of [at - 2 * u, at + 2 * u]) picture.append(svg("line", { class: "whisker", x1: x(end), x2: x(end), y1: 4.5, y2: 10.5 }));
  }
  return picture;
}

export function median(values) {
  const known = values.filter((v) => v !== null).sort((a, b) => a - b);
  if (known.length < 2) return null;
  const half = known.length >> 1;
  return known.length % 2 ? known[half] : (known[half - 1] + known[half]) / 2;
}
