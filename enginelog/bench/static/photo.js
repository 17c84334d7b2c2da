// A photo for a bench check: made smaller on the phone, sent at once, and ticked together with the check.

import { ask } from "./common.js";

const EDGE = 2000;

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

function begin(box) {
  const form = box.closest("form");
  const part = (css) => box.querySelector(css);
  const say = (text) => (part(".status").textContent = text);
  const buttons = [...form.querySelectorAll("button[name=result]")];

  async function take(file) {
    buttons.forEach((each) => (each.disabled = true));
    part("[name=photo]").value = "";
    say("Sending the photo.");
    try {
      const data = await smaller(file);
      part("[name=photo]").value = (await ask(box.dataset.to, { method: "PUT", body: data })).id;
      part("img").src = URL.createObjectURL(data);
      part("img").hidden = false;
      say("The photo has arrived. It is kept with the check once that is ticked.");
    } catch (failed) {
      part("img").hidden = true;
      say(`Without a photo so far: ${failed.status ? failed.message : "no connection; choose it again"}`);
    }
    buttons.forEach((each) => (each.disabled = false));
  }

  part("[type=file]").addEventListener("change", (event) => {
    const [file] = event.target.files;
    if (file) take(file);
  });
  box.hidden = false;
}

document.querySelectorAll(".photo").forEach(begin);
