// While a photo is judged: what is being done. Then the answer, in the same place.
"use strict";
const place = document.getElementById("look");
const here = location.pathname;

async function follow() {
  let version = place.dataset.version;
  for (;;) {
    try {
      const answer = await fetch(`${here}/state?after=${version}`);
      const told = await answer.json();
      if (told.done) break;
      version = told.version;
      document.getElementById("step").textContent =
        told.step.charAt(0).toUpperCase() + told.step.slice(1);
      document.getElementById("share").value = told.share;
    } catch {
      document.getElementById("step").textContent =
        "The connection was lost. Nothing is: it goes on when the page can be reached again.";
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
  const answer = await fetch(`${here}?part=1`);
  if (!answer.ok) return location.reload();
  place.innerHTML = await answer.text();
  place.querySelectorAll("form.send").forEach(sends);
  showSteppers(place);
  delete place.dataset.version;
  const verdict = place.querySelector("h1");
  document.title = verdict.textContent;
  verdict.focus({ preventScroll: true });
  listen();
}

function listen() {
  for (const form of place.querySelectorAll("form.more")) {
    form.photo.addEventListener("change", () => {
      const told = form.querySelector("[role=status]");
      told.hidden = false;
      told.textContent = "Sending the photo…";
      form.submit();
    });
  }
}

if (place.dataset.version !== undefined) follow();
else listen();
