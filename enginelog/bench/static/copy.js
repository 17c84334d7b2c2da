// Copies the text to paste. Over an unencrypted connection browsers allow only the older way, by selecting.

const text = document.getElementById("message");
const button = document.getElementById("copy");
const told = document.getElementById("copied");

async function copied() {
  try {
    await navigator.clipboard.writeText(text.value);
    return true;
  } catch {
    text.focus();
    text.select();
    return document.execCommand("copy");
  }
}

button.hidden = false;
button.addEventListener("click", async () => {
  told.textContent = (await copied()) ? "✓ Copied." : "Marked: copy it by the browser's own menu.";
  button.focus();
});
