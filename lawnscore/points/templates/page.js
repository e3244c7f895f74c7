"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const at = (id) => document.getElementById(id);
  const casts = data.mode === "casts";
  const ZOOMS = [1, 2, 4];
  let kept = true, zoom = 0;
  let work = null; // {reader, session, events: [{i, seen?, x?, y?, tile?, at}]}

  const store = (key, value) => {
    try { localStorage.setItem(key, value); } catch { kept = false; at("unkept").hidden = false; }
  };
  const load = (key) => { try { return localStorage.getItem(key); } catch { return null; } };
  const home = `lawnscore-points-${data.draw}`;
  const place = (reader) => `${home}-${reader.toLocaleLowerCase()}`;
  const newSession = () => {
    const part = crypto.getRandomValues(new Uint32Array(1))[0].toString(16).padStart(8, "0");
    return part;
  };
  const begin = (name) => {
    const reader = name.trim().replace(/\s+/g, " ").replace(/^[=+\-@]+/, "");
    if (!reader) return;
    let found = null;
    try { found = JSON.parse(load(place(reader)) || "null"); } catch { found = null; }
    const sound = found && Array.isArray(found.events) && found.session;
    work = sound ? found : { reader, session: newSession(), events: [] };
    store(home, work.reader);
    keep();
    show();
  };
  const keep = () => store(place(work.reader), JSON.stringify(work));
  const current = () => work.events.filter((e) => (casts ? e.tile : true)).length;
  const add = (event) => {
    if (current() >= data.items.length) return;
    work.events.push({ i: current(), at: new Date().toISOString(), ...event });
    keep();
    show();
  };
  const undo = () => { if (work && work.events.length) { work.events.pop(); keep(); show(); } };

  const show = () => {
    const i = current(), n = data.items.length, all = i >= n;
    at("start").hidden = true;
    at("work").hidden = all;
    const wasDone = !at("done").hidden;
    at("done").hidden = !all;
    at("name").textContent = `Reader: ${work.reader}`;
    at("other").hidden = false;
    at("bar").value = i;
    if (all) { if (!wasDone) at("done").focus(); return; }
    const here = work.events.filter((e) => e.i === i && !e.tile);
    at("progress").textContent = casts
      ? `Picture ${i + 1} of ${n}, ${here.length} cast${here.length === 1 ? "" : "s"} marked`
      : `Point ${i + 1} of ${n}`;
    at("picture").src = `data:image/webp;base64,${data.pictures[i]}`;
    at("undo").disabled = work.events.length === 0;
    if (casts) draw(here);
  };
  const draw = (here) => {
    const item = data.items[work ? current() : 0];
    const circles = here.map((e) => {
      const x = 50 + (100 * (e.x - item.x)) / item.side, y = 50 + (100 * (e.y - item.y)) / item.side;
      return ["under", "over"].map((c) => {
        const circle = document.createElementNS("http://www.w3.org/2000/svg", "circle");
        circle.setAttribute("cx", x); circle.setAttribute("cy", y); circle.setAttribute("r", 5);
        circle.setAttribute("class", c);
        return circle;
      });
    });
    at("marks").replaceChildren(...circles.flat());
  };
  const turn = () => {
    zoom = (zoom + 1) % ZOOMS.length;
    at("picture").style.transform = `scale(${ZOOMS[zoom]})`;
    at("times").textContent = `${ZOOMS[zoom]}×`;
  };

  const quoted = (value) => `"${String(value).replace(/"/g, '""')}"`;
  const rows = () => work.events.map((e) => {
    const item = data.items[e.i], [photo, sha] = data.photos[item.p];
    const kind = casts ? (e.tile ? "tile" : "cast") : "point";
    const cast = kind === "cast";
    return [kind, photo, sha, data.draw, item.n, cast ? e.x : item.x, cast ? e.y : item.y,
      kind === "tile" ? item.side : "", cast ? "cast" : e.seen || "", work.reader, work.session, e.at];
  });
  const download = () => {
    const found = rows();
    const lines = [[...data.columns, "rows_in_file"], ...found.map((row) => [...row, found.length])];
    const text = lines.map((row) => row.map(quoted).join(",")).join("\r\n") + "\r\n";
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff", text], { type: "text/csv" }));
    const name = work.reader.replace(/[^\p{L}\p{N}]+/gu, "-") || "reader";
    link.download = `${data.mode}-${data.draw}-${name}.csv`;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  };

  at("who").addEventListener("submit", (event) => { event.preventDefault(); begin(at("reader").value); });
  at("undo").addEventListener("click", undo);
  at("back").addEventListener("click", undo);
  at("other").addEventListener("click", () => {
    for (const id of ["work", "done"]) at(id).hidden = true;
    at("name").textContent = ""; at("other").hidden = true; at("start").hidden = false;
    work = null; at("reader").value = ""; at("reader").focus();
  });
  for (const button of document.querySelectorAll(".download")) button.addEventListener("click", download);
  for (const button of document.querySelectorAll("[data-seen]")) {
    button.addEventListener("click", () => add({ seen: button.dataset.seen }));
  }
  if (casts) {
    at("next").addEventListener("click", () => add({ tile: true }));
    at("view").addEventListener("click", (event) => {
      if (!work) return;
      const box = at("view").getBoundingClientRect(), item = data.items[current()];
      const mm = (share, middle) => Math.round(10 * (middle + (share - 0.5) * item.side)) / 10;
      add({
        x: mm((event.clientX - box.left) / box.width, item.x),
        y: mm((event.clientY - box.top) / box.height, item.y),
      });
    });
  } else {
    at("zoom").addEventListener("click", turn);
  }
  document.addEventListener("keydown", (event) => {
    if (!work || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const key = event.key.toLowerCase();
    if (key === "u" || key === "backspace") { event.preventDefault(); undo(); return; }
    if (at("work").hidden) return;
    if (casts) {
      const pressed = document.activeElement instanceof HTMLButtonElement;
      if (key === "enter" && !pressed) { event.preventDefault(); add({ tile: true }); }
      return;
    }
    if (key === "z") turn();
    else if (/^[1-9]$/.test(key) && data.words[key - 1]) add({ seen: data.words[key - 1] });
  });
  window.addEventListener("beforeunload", (event) => {
    if (!kept && work && work.events.length) event.preventDefault();
  });
  const last = load(home);
  if (last) begin(last);
})();
