(function () {
  "use strict";
  document.documentElement.classList.add("js");
  document.querySelectorAll(".divider").forEach(function (figure) {
    var frame = figure.querySelector(".frame");
    var range = figure.querySelector("input");
    var text = figure.getAttribute("data-value-text");
    function show() {
      frame.style.setProperty("--at", range.value + "%");
      range.setAttribute("aria-valuetext", text.replace("{percent}", range.value + "%"));
    }
    function follow(event) {
      var box = frame.getBoundingClientRect();
      var at = ((event.clientX - box.left) / box.width) * 100;
      range.value = String(Math.round(Math.min(100, Math.max(0, at))));
      show();
    }
    range.addEventListener("input", show);
    frame.addEventListener("pointerdown", function (event) {
      if (event.button) { return; }
      event.preventDefault();
      frame.setPointerCapture(event.pointerId);
      range.focus({ preventScroll: true });
      follow(event);
    });
    frame.addEventListener("pointermove", function (event) {
      if (frame.hasPointerCapture(event.pointerId)) { follow(event); }
    });
    show();
  });
})();
