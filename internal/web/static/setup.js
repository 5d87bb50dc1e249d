"use strict";
// Keeps the guide's live readings fresh, and offers the browser's own time zone
// where nobody has said one. The pages work without.
(function () {
  var zone = document.getElementById("box.timezone");
  if (zone && !zone.value) {
    try { zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone || ""; } catch (err) { /* it is asked for */ }
  }
  if (!document.querySelector("[data-live]")) return;
  function show(l) {
    var at = document.querySelector('[data-live="' + l.id + '"]');
    if (!at) return;
    at.dataset.quality = l.quality;
    at.querySelector(".value").textContent = l.value;
    at.querySelector(".wire").textContent = l.wire;
    at.querySelector(".reading-why").textContent = l.why;
  }
  function look() {
    fetch(document.body.dataset.now || "/setup/live", { headers: { Accept: "application/json" } })
      .then(function (r) { if (!r.ok) throw new Error(); return r.json(); })
      .then(function (lines) { lines.forEach(show); document.body.dataset.live = "yes"; })
      .catch(function () {
        document.body.dataset.live = "no";
        document.querySelectorAll("[data-live]").forEach(function (at) { show({ id: at.dataset.live, quality: "bad", value: "–", wire: "", why: "…" }); });
      })
      .finally(function () { setTimeout(look, 1000); });
  }
  look();
})();
