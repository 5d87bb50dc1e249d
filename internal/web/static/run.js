// The run page's script: it draws the traces.
(function () {
  "use strict";
  var w = boxd.w, byId = boxd.byId, body = boxd.body;

  // --- the traces ---

  var plots = (function () {
    var keep = 3600;
    var names = ["header_kpa", "injector_in_kpa", "injector_out_kpa", "main_flow_lpm", "ec_box_us_cm", "ec_end_us_cm"];
    var t = [], cols = {}, ec = null, pf = null, base = null, band = null, due = false;
    var front = null, clean = null; // when fertilizer and clean water are foreseen at the last emitter
    var kf = Number(body.dataset.kpaFactor), lf = Number(body.dataset.lpmFactor);
    names.forEach(function (n) { cols[n] = []; });

    function css(name) { return getComputedStyle(document.documentElement).getPropertyValue(name).trim(); }

    function push(at, value) {
      if (t.length && at <= t[t.length - 1]) return;
      t.push(at);
      names.forEach(function (n) {
        var x = value(n);
        cols[n].push(x === undefined ? null : x);
      });
      if (t.length > keep) {
        t.shift();
        names.forEach(function (n) { cols[n].shift(); });
      }
    }

    function scaled(n, k) { return cols[n].map(function (x) { return x === null ? null : x * k; }); }
    function ecData() { return [t, cols.ec_box_us_cm, cols.ec_end_us_cm]; }
    function pfData() {
      var across = cols.injector_in_kpa.map(function (x, i) {
        var y = cols.injector_out_kpa[i];
        return x === null || y === null ? null : (x - y) * kf;
      });
      return [t, scaled("header_kpa", kf), across, scaled("main_flow_lpm", lf)];
    }

    function now() { return t.length ? t[t.length - 1] : 0; }
    function ago(u, splits) {
      return splits.map(function (s) {
        var m = Math.round((s - now()) / 6) / 10;
        return m === 0 ? w("now") : (m < 0 ? "−" : "+") + Math.abs(m) + " min";
      });
    }
    // Marks stand at whole minutes from now.
    function marks(u, axis, min, max) {
      var span = (max - min) / 60, step = [0.5, 1, 2, 5, 10, 20, 30, 60].find(function (s) { return span / s <= 4; }) || 60;
      var out = [];
      for (var s = now() - Math.floor((now() - min) / (step * 60)) * step * 60; s <= max; s += step * 60) out.push(s);
      return out;
    }
    // What is foreseen within the hour belongs in the picture.
    function ahead(x) { return x !== null && x > now() && x <= now() + 3600; }
    function span(u, min, max) {
      [front, clean].forEach(function (x) { if (ahead(x)) max = Math.max(max, x + 0.04 * (x - min)); });
      return [min, max];
    }

    function axis(more) {
      return Object.assign({ stroke: css("--soft"), grid: { stroke: css("--edge"), width: 1 }, ticks: { stroke: css("--edge"), width: 1 } }, more);
    }
    function line(label, colour, dash, scale, decimals) {
      return { label: label, stroke: css(colour), width: 2, dash: dash, scale: scale || "y", spanGaps: false,
        points: { show: false }, value: function (u, v, i, at) {
          if (at === null || at === undefined) v = u.data[i][t.length - 1];
          return v === null || v === undefined ? w("unknown") : v.toFixed(decimals);
        } };
    }
    function options(el, series, axes, hooks) {
      return { width: Math.max(240, el.clientWidth), height: 190, series: series, axes: axes, hooks: hooks || {},
        scales: { x: { time: false } }, cursor: { drag: { x: false, y: false } } };
    }
    function xSeries() {
      return { label: w("at"), value: function (u, v) { return v === null || v === undefined || !t.length ? w("now") : ago(u, [v])[0]; } };
    }

    function drawBand(u) {
      if (base === null) return;
      var c = u.ctx, left = u.bbox.left, wide = u.bbox.width;
      var y = function (v) { return u.valToPos(v, "y", true); };
      c.save();
      c.beginPath();
      c.rect(left, u.bbox.top, wide, u.bbox.height);
      c.clip();
      if (band !== null) {
        c.fillStyle = css("--band");
        c.fillRect(left, y(base + band), wide, y(base - band) - y(base + band));
      }
      c.strokeStyle = css("--soft");
      c.setLineDash([2, 4]);
      c.lineWidth = 2;
      c.beginPath();
      c.moveTo(left, y(base));
      c.lineTo(left + wide, y(base));
      c.stroke();
      c.restore();
    }

    // A flag at the time something is foreseen at the last emitter.
    function drawFlag(u, at, word, row) {
      if (!ahead(at)) return;
      var c = u.ctx, r = uPlot.pxRatio, x = u.valToPos(at, "x", true), y = u.bbox.top + (6 + row * 18) * r;
      c.save();
      c.strokeStyle = c.fillStyle = css("--ink");
      c.lineWidth = 2 * r;
      c.setLineDash([3 * r, 5 * r]);
      c.beginPath();
      c.moveTo(x, y);
      c.lineTo(x, u.bbox.top + u.bbox.height);
      c.stroke();
      c.font = 13 * r + "px sans-serif";
      c.textAlign = "right";
      c.textBaseline = "middle";
      c.fillText(word + " ▸", x - 3 * r, y + 3 * r);
      c.restore();
    }
    function drawFlags(u) {
      drawFlag(u, front, w("fertilizer"), 0);
      drawFlag(u, clean, w("clean water"), 1);
    }
    function sayArrivals() {
      var says = [], left = function (x) { return Math.max(1, Math.round((x - now()) / 60)) + " min"; };
      if (front !== null && front > now()) says.push(w("Fertilizer is foreseen at the last emitter in %s.", left(front)));
      if (clean !== null && clean > now()) says.push(w("Clean water is foreseen at the last emitter in %s.", left(clean)));
      byId("arrival-says").textContent = says.join(" ");
    }

    function build() {
      if (typeof uPlot === "undefined") return;
      if (ec) { ec.destroy(); pf.destroy(); }
      var e = byId("plot-ec"), p = byId("plot-pf");
      var o = options(e, [xSeries(), line(w("at the box"), "--line1", [], "y", 0), line(w("at the line end"), "--line2", [8, 4], "y", 0)],
        [axis({ values: ago, splits: marks }), axis({ size: 56 })], { drawClear: [drawBand], draw: [drawFlags] });
      o.scales.x.range = span;
      o.scales.y = { range: function (u, min, max) {
        if (min === null) { min = 0; max = 1000; }
        if (base !== null) { min = Math.min(min, base - (band || 0)); max = Math.max(max, base + (band || 0)); }
        var pad = Math.max(20, (max - min) * 0.08);
        return [Math.max(0, min - pad), max + pad];
      } };
      ec = new uPlot(o, ecData(), e);
      var two = options(p, [xSeries(), line(w("header") + " " + body.dataset.kpaUnit, "--line1", [], "y", 1),
        line(w("across injector") + " " + body.dataset.kpaUnit, "--line2", [8, 4], "y", 1), line(w("flow") + " " + body.dataset.lpmUnit, "--line3", [2, 3], "q", 2)],
        [axis({ values: ago, splits: marks }), axis({ size: 48 }), axis({ scale: "q", side: 1, size: 48, grid: { show: false } })]);
      // From zero, so that a ripple does not look like a storm.
      var fromZero = { range: function (u, min, max) { return [Math.min(0, min || 0), Math.max(max || 0, 1) * 1.15]; } };
      two.scales.y = fromZero;
      two.scales.q = fromZero;
      pf = new uPlot(two, pfData(), p);
      redraw();
    }

    function redraw() {
      due = false;
      if (!ec) return;
      ec.setData(ecData());
      pf.setData(pfData());
      // With no finger on a plot its legend shows the newest values.
      [ec, pf].forEach(function (u) { if (u.cursor.idx === null || u.cursor.idx === undefined) u.setLegend({ idx: null }, false); });
      byId("plot-ec").dataset.points = byId("plot-pf").dataset.points = String(t.length);
      sayArrivals();
      byId("band-says").textContent = base === null ? w("baseline unknown") :
        "· " + w("dotted: baseline %s", base.toFixed(0)) + (band === null ? "" : ", " + w("shaded: ±%s counts as clean", band.toFixed(0)));
    }

    function add(v) {
      var by = {};
      (v.channels || []).forEach(function (c) { if (c.quality === "good" || c.quality === "uncertain") by[c.column] = c.value; });
      base = v.progress.baseline_us_cm;
      band = v.progress.return_band_us_cm;
      front = v.progress.front_at_end_t;
      clean = v.progress.clean_at_end_t;
      push(v.t, function (n) { return by[n]; });
      if (!due) { due = true; requestAnimationFrame(redraw); }
    }

    function start() {
      return fetch("/api/trace").then(function (r) { return r.json(); }).then(function (points) {
        points.forEach(function (p) { push(p.t, function (n) { return p[n]; }); });
      }).catch(function () { /* the traces then start now */ }).finally(build);
    }

    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", build);
    new ResizeObserver(function () {
      if (!ec) return;
      [[ec, "plot-ec"], [pf, "plot-pf"]].forEach(function (x) {
        var w = Math.max(240, byId(x[1]).clientWidth);
        if (w !== x[0].width) x[0].setSize({ width: w, height: 190 });
      });
    }).observe(byId("plots"));
    return { add: add, start: start };
  })();

  boxd.watch(function (v) {
    var row = byId("note-row");
    if (row) row.hidden = !document.querySelector('button[value^="reset:"], button[value^="override:"]');
    plots.add(v);
  });
  plots.start().finally(boxd.listen);
})();
