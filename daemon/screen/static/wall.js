// Keeps the wall live. When nothing has been heard for some seconds, the bands say so and what stands below is marked as
// old. Without it the page loads itself again from time to time.
"use strict";
(function () {
  if (!window.EventSource) return;
  var body = document.body, begun = Date.now(), heard = begun, source = null, day = 24 * 3600 * 1000;

  // alive is called for whatever comes of the daemon.
  function alive() {
    heard = Date.now();
    body.classList.remove("away");
  }
  function away() {
    if (body.classList.contains("away")) return;
    var at = new Date(heard), two = function (n) { return (n < 10 ? "0" : "") + n; };
    Array.prototype.forEach.call(document.querySelectorAll(".cell:not(.away) .heard"), function (e) {
      e.textContent = two(at.getHours()) + ":" + two(at.getMinutes()) + ":" + two(at.getSeconds());
    });
    body.classList.add("away");
  }
  function replace(e) {
    alive();
    var box = document.getElementById(e.type);
    if (box && box.innerHTML !== e.data) box.innerHTML = e.data;
  }
  function connect() {
    if (source) source.close();
    source = new EventSource("/wall/stream");
    source.addEventListener("hello", function (e) {
      if (e.data !== body.dataset.asset) location.reload(); // another program serves now
      alive();
    });
    source.addEventListener("beat", function () {
      alive();
      if (heard - begun > day) location.reload(); // while it is there: a display stays on for months
    });
    ["clock"].concat(Array.prototype.map.call(document.querySelectorAll("section"), function (s) { return s.id; }))
      .forEach(function (name) { source.addEventListener(name, replace); });
  }
  connect();
  setInterval(function () {
    var quiet = Date.now() - heard;
    if (quiet > 12000) away(); // two beats and a little
    if (source.readyState === EventSource.CLOSED || quiet > 30000 && quiet % 30000 < 2000) connect();
  }, 2000);
  var place = 0;
  setInterval(function () {
    body.classList.remove("shift-" + place);
    place = (place + 1) % 4;
    body.classList.add("shift-" + place);
  }, 180000);
})();
