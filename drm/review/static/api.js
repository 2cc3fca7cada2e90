// What is asked of the server. Errors carry the server's one line.

export class Refused extends Error {
  constructor(line, overtaken) {
    super(line);
    this.overtaken = overtaken;
  }
}

async function answered(response) {
  if (response.ok) return response;
  let told = {};
  try {
    told = await response.json();
  } catch {
    told = { error: `the program answers with ${response.status}` };
  }
  throw new Refused(told.error ?? "the program refused", told.overtaken === true);
}

async function asked(path, words) {
  const query = new URLSearchParams(words);
  try {
    return await answered(await fetch(`${path}?${query}`));
  } catch (error) {
    if (error instanceof Refused) throw error;
    throw new Refused("the program does not answer; is it still running?", false);
  }
}

async function sent(path, body) {
  let response;
  try {
    response = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Drm-Review": "1" },
      body: JSON.stringify(body),
    });
  } catch {
    throw new Refused("the program does not answer; nothing was kept. Is it still running?", false);
  }
  return (await answered(response)).json();
}

export const overview = async () => (await asked("/api/overview", {})).json();
export const reading = async (of, key) => (await asked("/api/reading", { of, reading: key })).json();
export const band = async (of, key, axis) => (await asked("/api/band", { of, reading: key, axis })).json();
export const preview = (body) => sent("/api/preview", body);
export const decide = (body) => sent("/api/decide", body);
export const write = () => sent("/api/write", {});

export const TRACES = ["resistance", "voltage", "current", "travel", "speed"];

// Columns of pixels: place and time of each, then the least and the greatest of every trace.
export async function columns(of, key, axis, low, high, many) {
  const response = await asked("/api/columns", { of, reading: key, axis, low, high, columns: many });
  const all = new Float64Array(await response.arrayBuffer());
  const rows = 2 + 2 * TRACES.length;
  const m = all.length / rows;
  const row = (k) => all.subarray(k * m, (k + 1) * m);
  const traces = {};
  TRACES.forEach((name, k) => {
    traces[name] = { low: row(2 + 2 * k), high: row(3 + 2 * k) };
  });
  return { x: row(0), t: row(1), traces };
}
