// Sends a take in pieces. Where the connection breaks it asks how much has arrived and goes on from there.

import { ask, pause } from "./common.js";

const PIECE = 1 << 20;
const TRIES = 40;

/** Send; the id under which it has arrived. announced: called with the id; tell: with (share 0..1, words). */
export async function send(take, announced, tell) {
  let id = take.id;
  let offset = id ? await arrivedSoFar(id) : null;
  if (offset === null) {
    id = await announce(take);
    offset = 0;
    await announced(id);
  }
  let failures = 0;
  while (offset < take.blob.size) {
    tell(offset / take.blob.size, failures ? "The connection is back; going on." : "");
    try {
      const body = take.blob.slice(offset, offset + PIECE);
      offset = (await ask(`/takes/${id}?offset=${offset}`, { method: "PUT", body })).received;
      failures = 0;
    } catch (failed) {
      if (failed.status === 404) throw new Error("It must be sent again from the start: the server does not have it any more.");
      if (failed.status && failed.status !== 409 && failed.status !== 408 && failed.status < 500) throw failed;
      failures += 1;
      if (failures > TRIES) throw new Error("The connection does not come back. The clip is kept here; try again later.");
      tell(offset / take.blob.size, "The connection is lost. The clip is kept here and goes on as soon as it is back.");
      await pause(Math.min(500 * 2 ** failures, 5000));
      const known = await arrivedSoFar(id).catch(() => undefined);
      if (known === null) throw new Error("It must be sent again from the start: the server does not have it any more.");
      if (known !== undefined) offset = known;
    }
  }
  tell(1, "");
  return id;
}

async function announce(take) {
  const told = new URLSearchParams({ job: take.job, name: take.name, size: take.blob.size, stage: take.stage });
  take.conditions.forEach((each) => told.append("conditions", each));
  return (await ask("/takes", { method: "POST", body: told })).id;
}

/** How many bytes are there; null where the server does not know it (any more). */
async function arrivedSoFar(id) {
  try {
    return (await ask(`/takes/${id}/state`)).received;
  } catch (failed) {
    if (failed.status === 404) return null;
    throw failed;
  }
}
