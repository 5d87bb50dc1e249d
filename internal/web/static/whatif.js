// The script of the what-if page: it follows a replay and shows its answer.
(function () {
  "use strict";
  var body = document.body;
  if (body.dataset.going !== "yes") return;
  var address = "/runs/" + body.dataset.run + "/whatif", bar = document.getElementById("progress");
  function look() {
    fetch(address + "/state").then(function (r) { return r.json(); }).then(function (s) {
      if (s.done) { location.replace(address); return; }
      bar.value = s.pct;
      setTimeout(look, 500);
    }).catch(function () { setTimeout(look, 2000); });
  }
  look();
})();
