/* Talking to the server that served this page. All addresses are relative: they carry the token of this start. */

/** What marks this page's own changes among the events. */
export const PAGE = crypto.getRandomValues(new Uint32Array(2)).join("-");

/** A refusal: `kind`, `message`, `faults` and `state` as the server says. */
export class Refused extends Error {
  constructor(status, body) {
    super(body.error?.message ?? `the server answered ${status}`);
    this.status = status;
    this.kind = body.error?.kind ?? "broken";
    this.faults = body.error?.faults ?? [];
    this.kept = body.error?.kept ?? null;
    this.text = body.error?.text ?? null; // of the score, faults and all, as it would be
    this.state = body.state ?? null;
  }
}

/** The server does not answer: it was stopped, most likely. */
export class Unreachable extends Error {}

/** The body of an answer as `read` makes it of a good one; it may break off on its way, too. */
async function ask(path, how, read = (answer) => answer.json()) {
  let answer, body;
  try {
    answer = await fetch(`api/${path}`, how);
    body = await (answer.ok ? read(answer) : answer.json());
  } catch (error) {
    throw new Unreachable(error.message);
  }
  if (!answer.ok) throw new Refused(answer.status, body);
  return body;
}

export function getJson(path) {
  return ask(path, { cache: "no-cache" });
}

export function post(path, body) {
  return ask(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ page: PAGE, ...body }),
  });
}

export async function getPacket(path) {
  return readPacket(await ask(path, {}, (answer) => answer.arrayBuffer()));
}

const KINDS = {
  uint8: Uint8Array,
  int8: Int8Array,
  int16: Int16Array,
  uint16: Uint16Array,
  int32: Int32Array,
  float32: Float32Array,
  bytes: Uint8Array,
};

/** A packet: its header, with each part as a typed array under `data`. */
export function readPacket(buffer) {
  const headerBytes = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, headerBytes)));
  header.data = {};
  for (const { name, dtype, at, bytes } of header.parts) {
    const Kind = KINDS[dtype];
    header.data[name] = new Kind(buffer, 4 + headerBytes + at, bytes / Kind.BYTES_PER_ELEMENT);
  }
  return header;
}

/** Call a function a name for each event; browsers reconnect by themselves. */
export function listen(handlers) {
  const events = new EventSource("api/events");
  for (const [name, run] of Object.entries(handlers)) {
    events.addEventListener(name, (event) => run(event.data ? JSON.parse(event.data) : null));
  }
  return events;
}
