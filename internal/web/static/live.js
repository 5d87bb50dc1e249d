// The script of every live page: it swaps the parts the server drew, watches that
// the stream is alive and sends a person's word once. It decides nothing and
// computes no number that is advised by. Pages add to it through window.boxd.
(function () {
  "use strict";
  var body = document.body;
  // The page's words in the reader's language, by their English form.
  var words = JSON.parse(body.dataset.words || "{}");
  function w(text) {
    var args = Array.prototype.slice.call(arguments, 1);
    return (words[text] || text).replace(/%s/g, function () { return args.shift(); });
  }
  var byId = function (id) { return document.getElementById(id); };
  var staleMs = Number(body.dataset.staleS) * 1000;
  var coreAgeMs = 0;           // how old the newest view is by the server's word
  var lastBeat = performance.now();
  var streamOpen = false;
  var sending = false;
  var sayTimer = 0;
  var guardUntil = 0;          // until then a new confirm button rests
  var drawn = {};              // the parts as last drawn by the server
  var watchers = [];           // what the page does with each view
  var more = {};               // and with events of its own

  // --- the parts ---

  document.querySelectorAll("[data-part]").forEach(function (el) { drawn[el.id] = el.outerHTML; });

  function swapParts(html) {
    var doc = new DOMParser().parseFromString(html, "text/html");
    doc.querySelectorAll("[data-part]").forEach(function (fresh) {
      var text = fresh.outerHTML;
      var old = byId(fresh.id);
      if (!old || drawn[fresh.id] === text) return;
      var active = document.activeElement;
      var held = old.contains(active) && active.name === "do" ? active.value : "";
      var main = old.querySelector("button.main");
      var before = main && { value: main.value };
      // The element stays and its inside goes, so that a live region is read out.
      old.className = fresh.className;
      old.replaceChildren.apply(old, Array.from(fresh.childNodes));
      drawn[fresh.id] = text;
      if (held) refocus(old, held);
      guard(before, old.querySelector("button.main"));
    });
    if (sending) setSending(true);
  }

  function refocus(part, value) {
    part.querySelectorAll("button").forEach(function (b) { if (b.value === value) b.focus(); });
  }

  // A new thing to confirm must not be confirmed by a touch meant for the old one.
  function guard(before, after) {
    if (!after || (before && before.value === after.value)) return;
    guardUntil = performance.now() + 700;
    setSending(sending);
    setTimeout(function () { setSending(sending); }, 720);
  }

  // --- is it alive ---

  function isStopped() { return body.dataset.stopped === "yes"; }

  function judge() {
    var silent = performance.now() - lastBeat;
    var old = coreAgeMs + silent;
    var lost = old > staleMs;
    var lostBox = byId("lost");
    var coreSays = Boolean(byId("stopped"));
    lostBox.hidden = !lost || coreSays;
    if (lost) {
      byId("lost-why").textContent = (streamOpen ? w("the box sends nothing new") : w("the connection to the box is lost")) +
        ". " + w("Values below were last heard %s ago.", Math.round(old / 1000) + " s");
    }
    var stopped = lost || coreSays;
    var was = isStopped();
    body.dataset.stopped = stopped ? "yes" : "no";
    if (stopped !== was || stopped) setSending(sending);
    title();
  }

  function title() {
    var name = document.querySelector(".plate-name").textContent;
    var alarm = document.querySelector(".alarm:not(.seen)");
    var left = byId("minutes-left");
    document.title = isStopped() ? "■ " + w("stopped") + " · " + name :
      (alarm ? "◆ " + w("alarm") + " · " : "") + w(body.dataset.step) + (left ? " · " + left.textContent : "") + " · " + name;
  }

  function onView(v) {
    lastBeat = performance.now();
    coreAgeMs = 0;
    body.dataset.step = v.step;
    body.dataset.seq = String(v.seq);
    body.dataset.run = v.run;
    body.dataset.advice = v.advice ? String(v.advice.number) : "";
    watchers.forEach(function (f) { f(v); });
    judge();
  }

  var source = null;
  function listen() {
    source = new EventSource("/events?page=" + body.dataset.page);
    source.onopen = function () { streamOpen = true; body.dataset.stream = "open"; };
    source.onerror = function () {
      streamOpen = false;
      body.dataset.stream = "lost";
      // A refused stream is not tried again by the browser itself.
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, 3000);
      judge();
    };
    source.addEventListener("page", function (e) { swapParts(e.data); });
    source.addEventListener("view", function (e) { onView(JSON.parse(e.data)); });
    Object.keys(more).forEach(function (name) {
      source.addEventListener(name, function (e) {
        lastBeat = performance.now();
        coreAgeMs = 0;
        more[name](JSON.parse(e.data));
        judge();
      });
    });
    source.addEventListener("beat", function (e) {
      coreAgeMs = JSON.parse(e.data).age_s * 1000;
      lastBeat = performance.now();
      judge();
    });
  }
  setInterval(judge, 1000);

  // --- a person's word ---

  var form = byId("act");
  var by = byId("by");
  function keepName() {
    try { if (by && by.type !== "hidden") localStorage.setItem("by", by.value); } catch (err) { /* a browser that keeps nothing still works */ }
  }
  if (by) {
    try { if (!by.value) by.value = localStorage.getItem("by") || ""; } catch (err) { /* as above */ }
    by.addEventListener("change", keepName);
  }

  function newId() {
    var b = crypto.getRandomValues(new Uint8Array(12));
    return Array.from(b, function (x) { return x.toString(16).padStart(2, "0"); }).join("");
  }

  function setSending(on) {
    sending = on;
    document.querySelectorAll('button[name="do"]').forEach(function (b) {
      b.disabled = on || (b.id === "confirm" && (isStopped() || performance.now() < guardUntil));
    });
    body.dataset.sending = on ? "yes" : "no";
  }

  function say(word, text, refused) {
    var box = byId("answer");
    box.hidden = false;
    box.className = "answer" + (refused ? " refused" : "");
    box.dataset.accepted = refused ? "no" : "yes";
    byId("answer-word").textContent = word;
    byId("answer-text").textContent = text;
    clearTimeout(sayTimer);
    if (refused) box.scrollIntoView({ block: "nearest" });
    else sayTimer = setTimeout(function () { box.hidden = true; }, 8000);
  }

  if (form) document.addEventListener("submit", function (e) {
    if (e.target.getAttribute("action") !== "/act") return;
    e.preventDefault();
    if (sending || !e.submitter || !e.submitter.value) return;
    var data = new URLSearchParams(new FormData(e.target));
    data.set("id", form.elements.id.value);
    if (by && !data.get("by")) data.set("by", by.value);
    data.set("do", e.submitter.value);
    keepName();
    setSending(true);
    var ctl = new AbortController();
    var timer = setTimeout(function () { ctl.abort(); }, 12000);
    fetch("/act", { method: "POST", body: data, headers: { Accept: "application/json" }, signal: ctl.signal })
      .then(function (r) {
        var json = (r.headers.get("Content-Type") || "").indexOf("json") >= 0;
        return json ? r.json() : r.text().then(function (t) { return { accepted: false, reason: t }; });
      })
      .then(function (ans) {
        form.elements.id.value = newId();
        if (ans.accepted) document.querySelectorAll("[data-once]").forEach(function (x) { x.value = ""; });
        say(ans.accepted ? w("Taken.") : w("Refused:"), ans.reason || "", !ans.accepted);
      })
      // The id stays: the same word sent again counts once.
      .catch(function () { say(w("Not sent:"), w("the box did not answer. Try again; it counts once."), true); })
      .finally(function () { clearTimeout(timer); setSending(false); });
  });

  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/sw.js").catch(function () { /* on plain http there is none */ });

  window.boxd = {
    w: w, byId: byId, body: body,
    // watch calls f with each view from now on; the stream starts with the page's own script.
    on: function (name, f) { more[name] = f; },
    watch: function (f) { watchers.push(f); },
    listen: listen
  };
})();
