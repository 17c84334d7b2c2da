// A photo for a bench check: made smaller on the phone, sent at once, and ticked together with the check. Until that is
// written down it stays in this browser, so that a reload or a lost connection does not lose it.

import { ask, isOwn, lineWith, megabytes, pause, record, writtenDown } from "./common.js";
import { forgetPhoto, keepPhoto, keptPhotos, photoKey } from "./kept.js";

const EDGE = 2000;
const KEEPING_MS = 3000;

/** The picture made smaller; as it is where this browser cannot read it. */
async function smaller(file) {
  try {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, EDGE / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    return (await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.88))) || file;
  } catch {
    return file;
  }
}

/** Make a box work; what puts a photo back into it that was kept. */
function begin(box) {
  const form = box.closest("form");
  const { to } = box.dataset;
  const key = photoKey(to);
  const largest = Number(box.dataset.largest);
  const part = (css) => box.querySelector(css);
  const say = (text) => (part(".status").textContent = text);
  const buttons = [...form.querySelectorAll("button[name=result]")];

  function show(data) {
    part("img").src = data ? URL.createObjectURL(data) : "";
    part("img").hidden = part(".leave").hidden = !data;
  }

  function tooLarge(bytes) {
    part("[type=file]").value = "";
    show(null);
    const advice = "Choose another, or save it as a JPEG first.";
    say(`Without a photo so far: ${megabytes(bytes)} are too much, this browser cannot make it smaller, and at most ${megabytes(largest)} are taken. ${advice}`);
  }

  async function send(data, before) {
    part("[name=photo]").value = "";
    if (data.size > largest) return tooLarge(data.size);
    buttons.forEach((each) => (each.disabled = true));
    const keeping = keepPhoto({ key, record, to, once: form.elements.once.value, at: Date.now(), blob: data });
    say(`${before}Sending the photo.`);
    try {
      part("[name=photo]").value = (await ask(to, { method: "PUT", body: data })).id;
      show(data);
      say(`${before}The photo has arrived. It is kept with the check once that is ticked.`);
    } catch (failed) {
      const refused = [409, 413].includes(failed.status); // the server will not have it
      if (refused) forgetPhoto(key);
      show(refused ? null : data);
      const kept = await Promise.race([keeping, pause(KEEPING_MS)]);
      const again = kept ? "no connection; it is kept in this browser, reload the page to send it again" : "no connection; choose it again";
      say(`Without a photo so far: ${failed.status ? failed.message : again}`);
    }
    buttons.forEach((each) => (each.disabled = false));
  }

  function leaveOut() {
    forgetPhoto(key);
    part("[name=photo]").value = part("[type=file]").value = "";
    show(null);
    say("");
  }

  part("[type=file]").addEventListener("change", async (event) => {
    const [file] = event.target.files;
    if (file) send(await smaller(file), "");
  });
  part(".leave").addEventListener("click", leaveOut);
  form.addEventListener("reset", leaveOut);
  box.hidden = false;

  /** A photo that was chosen for the check of this number in another job record, or one not known: by its own taps. */
  function offer(photo) {
    const shot = document.createElement("img");
    shot.className = "shot";
    shot.alt = "A photo chosen here before";
    shot.src = URL.createObjectURL(photo.blob);
    const words = `Chosen here for this check of job ${to.split("/")[2]}, but of ${photo.record ? "another job record" : "a job record not known"}: it may show another machine.`;
    const leave = () => {
      forgetPhoto(photo.key);
      shot.remove();
      line.remove();
    };
    const take = async () => {
      await send(photo.blob, "");
      if (part("[name=photo]").value) leave(); // kept as one of this job record by now
    };
    const line = lineWith("p", words, ["Take it for this check", take], ["Throw it away", leave]);
    box.append(line, shot);
    box.closest("details").open = true;
  }

  return (photo) => {
    if (!isOwn(photo)) return offer(photo);
    if (part("[name=photo]").value || part("[type=file]").value) return; // another was chosen meanwhile
    box.closest("details").open = true;
    form.elements.once.value = photo.once; // the same form again, should it have arrived after all
    show(photo.blob);
    send(photo.blob, "Chosen here before and not ticked: it is back. ");
  };
}

const boxes = new Map([...document.querySelectorAll(".photo")].map((box) => [box.dataset.to, begin(box)]));
const done = writtenDown();
for (const photo of await keptPhotos()) {
  if (done.has(photo.once)) forgetPhoto(photo.key);
  else boxes.get(photo.to ?? photo.key)?.(photo);
}
