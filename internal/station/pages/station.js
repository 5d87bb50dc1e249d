// Rows come drawn from the server; this puts them in their place. What is no
// longer told is greyed: a page never shows the past as the present.
"use strict";
(() => {
  const body = document.getElementById("boxes");
  const rows = new Map();
  for (const tr of body.rows) rows.set(tr.dataset.box, tr);
  const filter = document.getElementById("filter");
  const lost = document.getElementById("lost"), link = document.getElementById("link"), why = document.getElementById("why");
  const counts = document.getElementById("counts");
  let heard = performance.now();

  const fits = (tr) => { tr.hidden = !tr.textContent.toLowerCase().includes(filter.value.trim().toLowerCase()); };
  filter.addEventListener("input", () => { for (const tr of rows.values()) fits(tr); });
  if (filter.value) for (const tr of rows.values()) fits(tr);

  // The first row that belongs behind key: rows are in order of their keys.
  const behind = (key) => {
    let low = 0, high = body.rows.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (body.rows[mid].dataset.key < key) low = mid + 1; else high = mid;
    }
    return body.rows[low] || null;
  };
  const put = (r) => {
    const t = document.createElement("template");
    t.innerHTML = r.html;
    const next = t.content.firstElementChild, old = rows.get(r.box);
    rows.set(r.box, next);
    fits(next);
    if (old && old.dataset.key === r.key) { old.replaceWith(next); return; }
    if (old) old.remove();
    body.insertBefore(next, behind(r.key));
  };
  const stand = () => {
    const gone = performance.now() - heard > 5000;
    lost.hidden = !gone;
    document.body.dataset.stopped = gone || !link.hidden ? "yes" : "no";
  };
  const stream = new EventSource("/events?lang=" + document.documentElement.lang);
  stream.addEventListener("change", (e) => {
    const c = JSON.parse(e.data);
    heard = performance.now();
    for (const box of c.gone || []) {
      if (rows.has(box)) rows.get(box).remove();
      rows.delete(box);
    }
    for (const r of c.rows) put(r);
    if (counts.innerHTML !== c.head) counts.innerHTML = c.head;
    link.hidden = c.link === "";
    why.textContent = c.link;
    document.body.dataset.live = "yes";
    stand();
  });
  setInterval(stand, 1000);
})();
