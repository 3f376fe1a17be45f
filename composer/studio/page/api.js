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
    this.state = body.state ?? null;
  }
}

/** The server does not answer: it was stopped, most likely. */
export class Unreachable extends Error {}

async function ask(address, how) {
  try {
    return await fetch(address, how);
  } catch (error) {
    throw new Unreachable(error.message);
  }
}

export async function getJson(path) {
  const answer = await ask(`api/${path}`, { cache: "no-cache" });
  const body = await answer.json();
  if (!answer.ok) throw new Refused(answer.status, body);
  return body;
}

export async function post(path, body) {
  const answer = await ask(`api/${path}`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ page: PAGE, ...body }),
  });
  const said = await answer.json();
  if (!answer.ok) throw new Refused(answer.status, said);
  return said;
}

export async function getPacket(path) {
  const answer = await ask(`api/${path}`);
  if (!answer.ok) throw new Refused(answer.status, await answer.json());
  return readPacket(await answer.arrayBuffer());
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
