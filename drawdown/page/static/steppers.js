// Less and more of an ink, for wet gloves: a tap is one step, held down it runs.
"use strict";
const HELD_MS = 450, AGAIN_MS = 90, FASTER_AFTER = 12;
let timer = 0, ran = 0;
const told = document.createElement("p"); // for a screen reader
told.setAttribute("role", "status");
told.className = "skip";
document.body.append(told);

function showSteppers(place) {
  for (const button of place.querySelectorAll("[data-by]")) button.hidden = false;
}

function step(button, times) {
  const input = button.parentElement.querySelector("input");
  const was = Number(input.value.replace(",", ".")) || 0;
  const by = Number(button.dataset.by);
  let size = Number(input.dataset.step);
  if (size === 1 && was + Math.min(by, 0) < 2) size = 0.1; // few parts: of a strong ink
  if (times > FASTER_AFTER) size *= 10;
  const now = Math.max(0, Number((was + by * size).toFixed(3)));
  const text = String(now);
  input.value = now ? (input.value.includes(",") ? text.replace(".", ",") : text) : "";
  told.textContent = `${button.getAttribute("aria-label").replace(/^\w+ /, "")}: ${input.value || 0}`;
}

function release() {
  clearTimeout(timer);
  timer = 0;
}

document.addEventListener("pointerdown", (event) => {
  const button = event.target.closest("[data-by]");
  if (!button) return;
  ran = 0;
  const run = () => {
    ran += 1;
    step(button, ran);
    timer = setTimeout(run, AGAIN_MS);
  };
  timer = setTimeout(run, HELD_MS);
});
for (const kind of ["pointerup", "pointercancel", "blur"]) addEventListener(kind, release);
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-by]");
  if (!button) return;
  if (!ran || !event.detail) step(button, 0); // no detail: a key
  ran = 0;
});
document.addEventListener("contextmenu", (event) => {
  if (event.target.closest("[data-by]")) event.preventDefault();
});
showSteppers(document);
