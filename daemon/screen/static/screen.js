// Keeps the screen live: the server sends each section anew when it has changed. Nothing
// here is needed to read a page or to send a form.
"use strict";
(function () {
  // A form is sent once, however often its button is pressed.
  document.addEventListener("submit", function (e) {
    var form = e.target;
    if (form.dataset.sent) {
      e.preventDefault();
      return;
    }
    form.dataset.sent = "yes";
    // A page that comes back from the browser's memory can be sent again: the server
    // answers a form it has seen with the same answer.
    window.addEventListener("pageshow", function () { delete form.dataset.sent; }, { once: true });
  });
  var mistakes = document.getElementById("mistakes");
  if (mistakes) mistakes.focus();

  var path = document.body.dataset.stream;
  if (!path || !window.EventSource) return;
  var live = document.getElementById("live"), spoken = document.getElementById("spoken");
  var heard = Date.now(), headline = "", source = null;
  var names = ["next", "act", "alerts", "count", "where", "belt", "drift", "size", "heat", "line", "supply", "happened"];

  function show(stale) {
    document.body.classList.toggle("stale", stale);
    live.hidden = !stale;
    if (stale) live.textContent = "Not live: the daemon was last heard at " + new Date(heard).toLocaleTimeString() + ". What you see may be old.";
  }
  function alive() {
    heard = Date.now();
    show(false);
  }
  function replace(name, html) {
    var box = document.getElementById(name);
    if (!box || box.innerHTML === html) return;
    var focus = box.contains(document.activeElement) ? document.activeElement.id : "";
    var open = Array.prototype.map.call(box.querySelectorAll("details"), function (d) { return d.open; });
    box.innerHTML = html;
    Array.prototype.forEach.call(box.querySelectorAll("details"), function (d, i) { if (open[i]) d.open = true; });
    if (focus && document.getElementById(focus)) document.getElementById(focus).focus();
    if (name === "next") {
      var big = box.querySelector("[data-headline]");
      if (big && big.dataset.headline !== headline) {
        if (headline) spoken.textContent = big.dataset.headline;
        headline = big.dataset.headline;
      }
    }
  }
  function connect() {
    if (source) source.close();
    source = new EventSource(path);
    source.addEventListener("hello", function (e) {
      if (e.data !== document.body.dataset.asset) location.reload(); // another program serves now
      alive();
    });
    source.addEventListener("beat", alive);
    names.forEach(function (name) {
      source.addEventListener(name, function (e) { alive(); replace(name, e.data); });
    });
  }
  connect();
  setInterval(function () {
    var quiet = Date.now() - heard;
    if (quiet > 12000) show(true);
    if (source.readyState === EventSource.CLOSED || quiet > 30000) connect();
  }, 3000);
})();
