// The script of the valve page: digits, a scale, the last 90 seconds and a tone
// that follows the difference, so that eyes can stay on the valve. It converts
// and draws; which way to turn is the box's word.
(function () {
  "use strict";
  var w = boxd.w, byId = boxd.byId, body = boxd.body;
  var shapes = { more: "▶", back: "◀", leave: "■", enough: "✓", cannot: "▲", none: "·" };
  var now = null, at = 0;

  // --- the number and the way ---

  function put(id, text) { var el = byId(id); if (el && el.textContent !== text) el.textContent = text; }

  function show(n) {
    now = n;
    at = performance.now();
    put("diff", n.diff);
    byId("diff").dataset.long = n.long;
    put("unit", n.unit);
    put("window", n.window);
    put("word", n.word);
    put("shape", shapes[n.state] || "");
    put("far", n.far);
    put("why", n.why);
    byId("gauge").dataset.state = n.state;
    body.dataset.step = n.step;
    scale(n);
    n.figures.forEach(function (f) {
      var el = byId("fig-" + f.id);
      if (!el) return;
      el.classList.toggle("off", f.off);
      el.children[0].textContent = f.name;
      el.children[1].textContent = (f.off ? "!\u00a0" : "") + f.value;
      el.children[2].textContent = f.aside;
    });
    trace.add(n);
    tone.follow();
  }

  function scale(n) {
    var top = n.high_n ? n.high_n * 1.5 : 1;
    var x = function (v) { return 10 + 300 * Math.min(1, Math.max(0, v / top)); };
    var win = byId("reach-window"), needle = byId("reach-needle");
    if (n.low_n !== null && n.high_n !== null) {
      win.setAttribute("x", x(n.low_n).toFixed(1));
      win.setAttribute("width", (x(n.high_n) - x(n.low_n)).toFixed(1));
    }
    needle.setAttribute("visibility", n.diff_n === null ? "hidden" : "visible");
    if (n.diff_n !== null) needle.setAttribute("transform", "translate(" + x(n.diff_n).toFixed(1) + " 0)");
  }

  // --- the last 90 seconds ---

  var trace = (function () {
    var keep = 90, t = [], y = [], u = null, due = false, low = null, high = null;
    function css(name) { return getComputedStyle(document.documentElement).getPropertyValue(name).trim(); }

    function band(p) {
      if (low === null || high === null) return;
      var c = p.ctx, y1 = p.valToPos(high, "y", true), y2 = p.valToPos(low, "y", true);
      c.save();
      c.fillStyle = css("--band");
      c.fillRect(p.bbox.left, y1, p.bbox.width, y2 - y1);
      c.restore();
    }

    function build() {
      if (typeof uPlot === "undefined") return;
      if (u) u.destroy();
      var el = byId("plot-valve");
      var axis = { stroke: css("--soft"), grid: { stroke: css("--edge"), width: 1 }, ticks: { stroke: css("--edge"), width: 1 } };
      u = new uPlot({
        width: Math.max(240, el.clientWidth), height: 150, legend: { show: false }, cursor: { show: false },
        scales: { x: { time: false, range: function () { var end = t.length ? t[t.length - 1] : 0; return [end - keep, end]; } },
          y: { range: function (p, min, max) { return [0, Math.max(max || 0, high || 0, 1) * 1.15]; } } },
        axes: [Object.assign({ values: function (p, s) { var end = t.length ? t[t.length - 1] : 0; return s.map(function (v) { var d = Math.round(end - v); return d <= 0 ? w("now") : "−" + d + " s"; }); } }, axis),
          Object.assign({ size: 48 }, axis)],
        series: [{}, { stroke: css("--line1"), width: 3, spanGaps: false, points: { show: false } }],
        hooks: { drawClear: [band] }
      }, [t, y], el);
    }

    function redraw() {
      due = false;
      if (u) u.setData([t, y]);
      byId("plot-valve").dataset.points = String(t.length);
    }

    function add(n) {
      if (t.length && n.t <= t[t.length - 1]) return;
      t.push(n.t);
      y.push(n.diff_n);
      while (t.length && t[0] < n.t - keep) { t.shift(); y.shift(); }
      low = n.low_n;
      high = n.high_n;
      if (!due) { due = true; requestAnimationFrame(redraw); }
    }

    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", build);
    new ResizeObserver(function () {
      var wide = Math.max(240, byId("plot-valve").clientWidth);
      if (u && wide !== u.width) u.setSize({ width: wide, height: 150 });
    }).observe(byId("plot-valve"));
    build();
    return { add: add };
  })();

  // --- the tone ---

  // The pitch rises by an octave from nothing to the window's middle; inside the
  // window, when it is enough, the tone pulses. What is stopped is silent.
  var tone = (function () {
    var ctx = null, osc = null, gain = null, on = false, button = byId("tone");

    function live() { return on && now && now.diff_n !== null && body.dataset.stopped !== "yes" && performance.now() - at < 2000; }

    function pitch(n) {
      var mid = n.low_n !== null && n.high_n !== null ? (n.low_n + n.high_n) / 2 : n.diff_n || 1;
      return 330 * Math.pow(2, Math.min(2, Math.max(0, n.diff_n / mid)));
    }

    function follow() {
      if (!ctx) return;
      var t = ctx.currentTime;
      var loud = live() ? 0.12 : 0;
      if (loud && now.state === "enough" && Math.floor(performance.now() / 250) % 2) loud = 0;
      gain.gain.setTargetAtTime(loud, t, 0.02);
      if (live()) {
        var hz = pitch(now);
        osc.frequency.setTargetAtTime(hz, t, 0.03);
        button.dataset.hz = hz.toFixed(0);
      } else {
        button.dataset.hz = "";
      }
    }

    button.addEventListener("click", function () {
      on = !on;
      if (on && !ctx) {
        var Audio = window.AudioContext || window.webkitAudioContext;
        if (!Audio) { on = false; return; }
        ctx = new Audio();
        osc = ctx.createOscillator();
        gain = ctx.createGain();
        gain.gain.value = 0;
        osc.type = "triangle";
        osc.connect(gain).connect(ctx.destination);
        osc.start();
      }
      if (ctx) (on ? ctx.resume() : ctx.suspend());
      button.setAttribute("aria-pressed", on ? "true" : "false");
      button.textContent = on ? w("Tone: on") : w("Tone: off");
      follow();
    });
    setInterval(follow, 125);
    return { follow: follow };
  })();

  // --- the screen stays awake ---

  (function () {
    var lock = null;
    function ask() {
      if (!("wakeLock" in navigator)) { put("awake", w("This browser can't keep the screen awake here.")); return; }
      if (lock || document.visibilityState !== "visible") return;
      navigator.wakeLock.request("screen").then(function (l) {
        lock = l;
        body.dataset.awake = "yes";
        put("awake", w("The screen stays awake."));
        l.addEventListener("release", function () { lock = null; body.dataset.awake = "no"; });
      }).catch(function () { put("awake", w("This browser can't keep the screen awake here.")); });
    }
    document.addEventListener("visibilitychange", ask);
    ask();
  })();

  boxd.on("valve", show);
  boxd.listen();
})();
