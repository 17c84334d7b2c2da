// Pictures to zoom: wider than their frame, which scrolls.

for (const box of document.querySelectorAll(".zoomed")) {
  const picture = box.querySelector("img");
  let width = 100;
  const set = (wanted) => {
    width = Math.min(Math.max(wanted, 100), 600);
    picture.style.width = width > 100 ? `${width}%` : "";
  };
  box.querySelectorAll("[data-zoom]").forEach((button) =>
    button.addEventListener("click", () => set(button.dataset.zoom === "in" ? width * 1.5 : width / 1.5)),
  );
}
