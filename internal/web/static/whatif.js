// The script of the what-if page: it follows a replay and shows its answer.
(function () {
  "use strict";
  var body = document.body;
  if (body.dataset.going !== "yes") return;
  var address = "/runs/" + body.dataset.run + "/whatif", bar = document.getElementById("progress"), began = 0;
  function look() {
    fetch(address + "/state").then(function (r) { return r.json(); }).then(function (s) {
      if (s.done) { location.replace(address); return; }
      // The server knows the run's length; the bar grows by what is replayed.
      if (!began && s.at_s) began = bar.value && s.at_s / bar.value;
      if (began) bar.value = Math.min(100, s.at_s / began);
      setTimeout(look, 500);
    }).catch(function () { setTimeout(look, 2000); });
  }
  look();
})();
