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
    if (navigator.onLine === false) {
      e.preventDefault();
      var none = document.getElementById("offline") || document.createElement("p");
      none.id = "offline";
      none.className = "warning";
      none.setAttribute("role", "alert");
      none.textContent = "No network: nothing was sent. What you entered stays here. Send it when the telephone is connected again.";
      form.insertBefore(none, form.querySelector(".buttons"));
      return;
    }
    form.dataset.sent = "yes";
    // A page that comes back from the browser's memory can be sent again: the server
    // answers a form it has seen with the same answer.
    window.addEventListener("pageshow", function () { delete form.dataset.sent; }, { once: true });
  });
  // What was entered in a form outlives the page: a telephone that sleeps may throw a page away and load it again.
  Array.prototype.forEach.call(document.querySelectorAll("form[data-keep]"), function (form) {
    var name = "beltwarden-form", key = form.dataset.keep, kept = null;
    function inputs() {
      return Array.prototype.filter.call(form.elements, function (e) { return e.name && e.type !== "hidden" && e.tagName !== "BUTTON" && e.tagName !== "FIELDSET"; });
    }
    function ticks(e) { return e.type === "checkbox" || e.type === "radio"; }
    try {
      kept = JSON.parse(sessionStorage.getItem(name));
      if (kept && kept.key !== key) sessionStorage.removeItem(name);
    } catch (e) { /* no storage, or nothing of ours in it */ }
    if (kept && kept.key === key) inputs().forEach(function (e) {
      var v = kept.values[e.id];
      if (v === undefined) return;
      if (ticks(e)) e.checked = v; else e.value = v;
      var folded = e.closest("details");
      if (v && folded) folded.open = true;
    });
    form.addEventListener("input", function () {
      var values = {};
      inputs().forEach(function (e) { if (ticks(e) ? e.checked : e.value) values[e.id] = ticks(e) ? true : e.value; });
      try { sessionStorage.setItem(name, JSON.stringify({ key: key, values: values })); } catch (e) { /* no storage */ }
    });
  });
  // A finger that has chosen the side of an offset is to enter how far next: the keypad opens. Keys go their own way.
  var finger = false;
  document.addEventListener("pointerdown", function () { finger = true; }, true);
  document.addEventListener("keydown", function () { finger = false; }, true);
  document.addEventListener("change", function (e) {
    var far = document.getElementById("offset_mm");
    if (!far || e.target.name !== "offset_side") return;
    if (e.target.value === "zero") far.value = "";
    else if (finger) far.focus();
  });
  // Counts have a button for one less and one for one more.
  Array.prototype.forEach.call(document.querySelectorAll("input[data-step]"), function (input) {
    var box = document.createElement("div"), label = document.querySelector('label[for="' + input.id + '"]').textContent.trim();
    box.className = "stepper";
    input.classList.add("counted");
    input.parentNode.insertBefore(box, input);
    [["\u2212", "One less: ", -1], ["", "", 0], ["+", "One more: ", 1]].forEach(function (b) {
      if (!b[2]) return box.appendChild(input);
      var button = document.createElement("button");
      button.type = "button";
      button.textContent = b[0];
      button.setAttribute("aria-label", b[1] + label);
      button.addEventListener("click", function () {
        var n = Math.max(0, (parseInt(input.value, 10) || 0) + b[2]);
        input.value = n || "";
        input.dispatchEvent(new Event("input", { bubbles: true }));
      });
      box.appendChild(button);
    });
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
    if (stale) live.textContent = "No contact since " + new Date(heard).toLocaleTimeString("en-GB") + ": what you see may be old.";
  }
  function alive() {
    heard = Date.now();
    show(false);
  }
  // What is under a finger stays until the finger is up and its click is heard: a button that was replaced meanwhile would
  // not hear it, and another in its place would.
  var held = 0, waiting = {};
  ["pointerdown", "pointerup", "pointercancel"].forEach(function (kind) {
    document.addEventListener(kind, function () {
      held = kind === "pointerdown" ? Date.now() : 0;
      if (!held) setTimeout(function () {
        if (held) return;
        var all = waiting;
        waiting = {};
        Object.keys(all).forEach(function (name) { replace(name, all[name]); });
      }, 300);
    }, true);
  });
  function replace(name, html) {
    if (Date.now() - held < 5000) {
      waiting[name] = html;
      return;
    }
    delete waiting[name];
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
