// A photo is sent as soon as it is chosen, and kept here until it has arrived.
"use strict";
const MOST_BYTES = 50e6;

function token() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

function sends(form) {
  const status = form.querySelector(".sending");
  const bar = form.querySelector(".sent");
  const again = form.querySelector(".again");
  let tries = 0, busy = false;

  function say(text) {
    status.hidden = false;
    status.textContent = text;
  }

  function send() {
    if (busy) return;
    busy = true;
    again.hidden = true;
    bar.hidden = false;
    say("Sending the photo…");
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.upload.onprogress = (event) => {
      if (event.lengthComputable) bar.value = event.loaded / event.total;
    };
    request.onload = () => {
      busy = false;
      if (request.status === 200 && request.responseURL.includes("/look/")) {
        location.assign(request.responseURL);
        return;
      }
      const told = new DOMParser().parseFromString(request.responseText, "text/html");
      bar.hidden = true;
      say(Array.from(told.querySelectorAll("main p:not(:has(a)), body > p"), (p) => p.textContent).join(" ") || "That did not work.");
      again.hidden = false;
    };
    request.onerror = () => {
      busy = false;
      tries += 1;
      say("The connection was lost. The photo is still here.");
      again.hidden = false;
      if (tries < 8) setTimeout(() => again.hidden || send(), 1000 * tries);
    };
    request.send(new FormData(form));
  }

  form.photo.addEventListener("change", () => {
    const files = Array.from(form.photo.files);
    if (!files.length) return;
    if (files.reduce((sum, file) => sum + file.size, 0) > MOST_BYTES) {
      say("That is too large: more than 50 MB cannot be sent. Take it as JPEG or HEIC, as the phone saves it.");
      return;
    }
    form.token.value = token();
    tries = 0;
    send();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (form.photo.files.length) send();
  });
  again.addEventListener("click", send);
  addEventListener("online", () => again.hidden || send());
}

document.querySelectorAll("form.send").forEach(sends);
