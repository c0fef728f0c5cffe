// Everything the page asks of its server, and nothing of anybody else.

export const TAB = crypto.getRandomValues(new Uint32Array(2)).join("-");

async function json(answer) {
  const told = await answer.json().catch(async () => ({ message: `the server answered ${answer.status}` }));
  if (!answer.ok) {
    const fault = new Error(told.message || `the server answered ${answer.status}`);
    fault.status = answer.status;
    fault.told = told;
    throw fault;
  }
  return told;
}

const query = (fields) => new URLSearchParams(fields).toString();

export const start = async () => json(await fetch("/api/start"));
export const next = async (queue, skip) => (await json(await fetch(`/api/next?${query({ queue, tab: TAB, skip })}`))).item;
export const item = async (token) => json(await fetch(`/api/item?${query({ item: token })}`));

export async function save(body) {
  return json(await fetch("/api/save", {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  }));
}

// Part of a channel: x in milliseconds of the page, y in the channel's unit.
export async function trace(token, channel, fromMs, toMs, buckets) {
  const asked = { item: token, channel, from_ms: fromMs, to_ms: toMs, buckets: Math.round(buckets) };
  const answer = await fetch(`/api/trace?${query(asked)}`);
  if (!answer.ok) await json(answer);
  const values = new Float32Array(await answer.arrayBuffer());
  const exact = answer.headers.get("x-form") === "exact";
  const first = Number(answer.headers.get("x-first-ms"));
  const step = Number(answer.headers.get("x-step-ms"));
  const x = new Float64Array(values.length);
  // The two values of a stretch stand at one and three quarters of it.
  for (let k = 0; k < x.length; k += 1) x[k] = first + step * (exact ? k : (k >> 1) + (k & 1 ? 0.75 : 0.25));
  return { exact, x, y: values, fromMs, toMs, buckets, step };
}

// Ids that are never used twice; also where crypto.randomUUID is missing because the address is not loopback.
export const newId = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
