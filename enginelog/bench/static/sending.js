// Sends a take in pieces. Where the connection breaks it asks how much has arrived and goes on from there.

import { ask, pause, record } from "./common.js";

const PIECE = 1 << 20;
const TRIES = 60;
const LOST = "The connection is lost. The clip is kept here and goes on as soon as it is back.";
const AGAIN = "The server does not have it any more: it is sent again from the start.";

/** What is known of a take. Throws, with `ended` on it, where it was attached or thrown away elsewhere. */
async function lookUp(id) {
  const told = await ask(`/takes/${id}/state`);
  if (!["attached", "discarded"].includes(told.state)) return told;
  const failed = new Error(`it was ${told.state === "attached" ? "attached" : "thrown away"} elsewhere`);
  failed.ended = told.state;
  throw failed;
}

/** Send; the id under which it has arrived. announced: called with the id; tell: with (share 0..1, words). */
export async function send(take, announced, tell) {
  const size = take.blob.size;
  let id = take.id;
  let offset = null; // not known yet how much is there
  let share = 0; // as far as was known last
  let words = "";
  for (let failures = 0; failures <= TRIES; ) {
    try {
      if (!id) {
        id = await announce(take);
        offset = 0;
        await announced(id);
      }
      if (offset === null) offset = (await lookUp(id)).received;
      share = offset / size;
      tell(share, words);
      if (offset >= size) return id;
      offset = (await ask(`/takes/${id}?offset=${offset}`, { method: "PUT", body: take.blob.slice(offset, offset + PIECE) })).received;
      failures = 0;
      words = "";
    } catch (failed) {
      if (failed.ended) throw failed;
      failures += 1;
      const gone = failed.status === 404 && id;
      const passing = !failed.status || failed.status >= 500 || (id && [408, 409].includes(failed.status));
      if (!gone && !passing) throw failed;
      if (gone) id = undefined;
      words = gone ? AGAIN : LOST;
      if (gone) share = 0;
      tell(share, words);
      offset = null;
      await pause(Math.min(400 * 2 ** Math.min(failures, 4), 4000));
      if (!gone) words = "Going on.";
    }
  }
  throw new Error("The connection does not come back. The clip is kept here; try again later.");
}

async function announce(take) {
  const told = new URLSearchParams({ job: take.job, name: take.name, size: take.blob.size, stage: take.stage, record });
  take.conditions.forEach((each) => told.append("conditions", each));
  return (await ask("/takes", { method: "POST", body: told })).id;
}
