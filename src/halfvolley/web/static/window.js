// What belongs to the window itself: theme, announcements, dropped files.
"use strict";
window.halfvolley = (() => {
  const stored = () => {
    try { return localStorage.getItem("halfvolley-theme"); } catch { return null; }
  };
  const dark = () => (stored() ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light")) === "dark";

  function showTheme() {
    document.documentElement.dataset.theme = dark() ? "dark" : "light";
    window.dispatchEvent(new Event("theme"));
  }

  function turnTheme() {
    try { localStorage.setItem("halfvolley-theme", dark() ? "light" : "dark"); } catch { /* private window */ }
    showTheme();
  }

  let putAway = 0;
  function announce(text, kind) {
    const place = document.getElementById("announcer");
    if (!place) return;
    place.textContent = text;
    place.dataset.kind = kind || "info";
    place.classList.add("shown");
    clearTimeout(putAway);
    putAway = setTimeout(() => place.classList.remove("shown"), kind === "trouble" ? 12000 : 5000);
  }

  // colours of look.css for canvases
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  async function sendFile(file, tell) {
    return new Promise((resolve) => {
      const request = new XMLHttpRequest();
      request.open("PUT", `/upload/${encodeURIComponent(file.name)}`);
      request.upload.onprogress = (e) => tell(e.loaded / Math.max(1, e.total));
      request.onloadend = () => resolve(request.status === 200 ? "" : request.responseText || "The copy was broken off.");
      request.send(file);
    });
  }

  function takeDrops(id) {
    const zone = document.getElementById(`c${id}`) ?? document.getElementById("drop");
    const input = document.getElementById("files");
    if (!zone || zone.dataset.ready) return;
    zone.dataset.ready = "yes";
    const take = async (files) => {
      for (const file of files) {
        const line = document.createElement("p");
        const bar = document.createElement("progress");
        bar.max = 1; bar.value = 0; bar.setAttribute("aria-label", `Copying ${file.name}`);
        line.append(`Copying ${file.name} `, bar);
        zone.append(line);
        const trouble = await sendFile(file, (share) => { bar.value = share; });
        line.remove();
        if (trouble) announce(trouble, "trouble");
      }
      zone.dispatchEvent(new CustomEvent("uploaded"));
    };
    zone.addEventListener("dragover", (e) => { e.preventDefault(); zone.classList.add("over"); });
    zone.addEventListener("dragleave", () => zone.classList.remove("over"));
    zone.addEventListener("drop", (e) => { e.preventDefault(); zone.classList.remove("over"); take([...e.dataTransfer.files]); });
    input.addEventListener("change", () => { take([...input.files]); input.value = ""; });
  }

  showTheme();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", showTheme);
  document.documentElement.lang = "en";
  return { turnTheme, announce, colour, takeDrops };
})();
