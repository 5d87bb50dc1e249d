// The script of an archived run's page: it draws one channel of the run and, laid
// over it, of another, aligned on what the server has chosen.
(function () {
  "use strict";
  var body = document.body, words = JSON.parse(body.dataset.words || "{}");
  function w(text) { return words[text] || text; }
  function byId(id) { return document.getElementById(id); }
  function css(name) { return getComputedStyle(document.documentElement).getPropertyValue(name).trim(); }
  var channels = JSON.parse(body.dataset.channels), zeros = [Number(body.dataset.zero), Number(body.dataset.otherZero)], upright = JSON.parse(body.dataset.upright);
  var runs = [], plot = null, pick = byId("channel"), place = byId("plot-record");
  var gap = 45; // a hole shorter than this, in seconds, is bridged: samples may be seldom

  function load(id) {
    return fetch("/runs/" + id + "/traces").then(function (r) {
      if (!r.ok) throw new Error(r.statusText);
      return r.json();
    });
  }

  // uPlot wants one list of times: those of both runs, each undefined where the
  // other has a point. A null stays a hole.
  function table(c) {
    var parts = runs.map(function (r, i) {
      var y = (r.columns[c.column] || []).map(function (v) { return v === null ? null : v * c.factor + c.offset; });
      return [r.t.map(function (t) { return t - zeros[i]; }), bridged(r.t, y)];
    }).filter(function (p) { return p[1].length; });
    if (parts.length < 2) return parts.length ? parts[0] : [[], []];
    return uPlot.join(parts);
  }

  function bridged(t, y) {
    for (var i = 0, last = -1; i < y.length; i++) {
      if (y[i] === null) continue;
      if (last >= 0 && i - last > 1 && t[i] - t[last] <= gap) for (var k = last + 1; k < i; k++) y[k] = undefined;
      last = i;
    }
    return y;
  }

  function hms(t) {
    var s = Math.abs(Math.round(t));
    return (t < 0 ? "−" : "") + Math.floor(s / 3600) + ":" + String(Math.floor(s / 60) % 60).padStart(2, "0") + ":" + String(s % 60).padStart(2, "0");
  }
  function marks(u, axis, min, max) {
    var step = [10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400].find(function (s) { return (max - min) / s <= 5; }) || 28800, out = [];
    for (var t = Math.ceil(min / step) * step; t <= max; t += step) out.push(t);
    return out;
  }
  function axis(more) {
    return Object.assign({ stroke: css("--soft"), grid: { stroke: css("--edge"), width: 1 }, ticks: { stroke: css("--edge"), width: 1 } }, more);
  }
  function line(label, colour, dash, digits) {
    return { label: label, stroke: css(colour), width: 1.5, dash: dash, spanGaps: false, points: { show: false },
      value: function (u, v) { return v === null || v === undefined ? "–" : v.toFixed(digits); } };
  }

  function milestones(u) {
    var c = u.ctx;
    c.save();
    c.lineWidth = uPlot.pxRatio;
    upright.forEach(function (times, i) {
      c.strokeStyle = css(i ? "--line2" : "--line1");
      c.setLineDash(i ? [6, 6] : []);
      times.forEach(function (t) {
        var x = Math.round(u.valToPos(t, "x", true));
        if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) return;
        c.beginPath();
        c.moveTo(x, u.bbox.top);
        c.lineTo(x, u.bbox.top + u.bbox.height);
        c.stroke();
      });
    });
    c.restore();
  }

  function draw() {
    var c = channels[Number(pick.value)], data = table(c);
    if (plot) plot.destroy();
    var series = [{ label: w("time"), value: function (u, v) { return v === null || v === undefined ? "–" : hms(v); } }];
    runs.forEach(function (r, i) {
      if (r.columns[c.column]) series.push(line((i ? w("the other") : w("this run")) + " " + c.unit, i ? "--line2" : "--line1", i ? [8, 4] : [], c.digits));
    });
    while (series.length < data.length) series.push(line(w("this run") + " " + c.unit, "--line1", [], c.digits));
    plot = new uPlot({ width: Math.max(240, place.clientWidth), height: 280, series: series, scales: { x: { time: false } }, hooks: { drawClear: [milestones] },
      axes: [axis({ values: function (u, s) { return s.map(hms); }, splits: marks }), axis({ size: 56 })] }, data, place);
    place.dataset.points = String(data[0].length);
    place.dataset.lines = String(series.length - 1);
  }

  Promise.all([body.dataset.run, body.dataset.other].filter(Boolean).map(load)).then(function (all) {
    runs = all;
    channels.forEach(function (c, i) {
      if (runs.some(function (r) { return r.columns[c.column]; })) pick.add(new Option(c.name + ", " + c.unit, String(i)));
    });
    byId("loading").hidden = true;
    if (!pick.options.length || typeof uPlot === "undefined") { place.textContent = w("Nothing was measured."); return; }
    pick.addEventListener("change", draw);
    draw();
    new ResizeObserver(function () {
      var wide = Math.max(240, place.clientWidth);
      if (plot && wide !== plot.width) plot.setSize({ width: wide, height: 280 });
    }).observe(byId("drawing"));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  }).catch(function () {
    byId("loading").hidden = true;
    place.textContent = w("The traces can't be had: load the page again.");
  });
})();
