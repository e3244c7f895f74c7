(function () {
  "use strict";
  var table = document.querySelector("table.round");
  if (!table) { return; }
  var body = table.tBodies[0];
  var rows = Array.prototype.slice.call(body.rows);
  var search = document.getElementById("search");
  var show = document.getElementById("show");
  var count = document.getElementById("count");
  var none = document.getElementById("none");
  var language = document.documentElement.lang;
  var collator = new Intl.Collator(language, { numeric: true, sensitivity: "base" });
  var number = new Intl.NumberFormat(language);
  var haystack = rows.map(function (row) { return fold(row.getAttribute("data-find")); });

  function fold(text) {
    return text.toLocaleLowerCase(language).normalize("NFD").replace(/[\u0300-\u036f]/g, "");
  }
  function filter() {
    var words = fold(search.value).split(/\s+/).filter(Boolean);
    var wanted = show.value;
    var shown = 0;
    rows.forEach(function (row, i) {
      var kept = words.every(function (word) { return haystack[i].indexOf(word) >= 0; }) &&
        (wanted === "all" || (" " + row.getAttribute("data-flags") + " ").indexOf(" " + wanted + " ") >= 0);
      row.hidden = !kept;
      shown += kept ? 1 : 0;
    });
    count.textContent = count.getAttribute("data-text")
      .replace("{shown}", number.format(shown)).replace("{all}", number.format(rows.length));
    none.hidden = shown > 0;
  }
  function sort(header, index) {
    var down = header.getAttribute("aria-sort") === "ascending";
    var numeric = header.hasAttribute("data-number");
    var keys = new Map(rows.map(function (row) {
      var text = row.cells[index].getAttribute("data-sort");
      return [row, numeric ? (text === "" ? null : Number(text)) : text];
    }));
    var order = rows.slice().sort(function (a, b) {
      var x = keys.get(a), y = keys.get(b);
      if (x === null || x === "") { return y === null || y === "" ? 0 : 1; }
      if (y === null || y === "") { return -1; }
      var way = numeric ? x - y : collator.compare(x, y);
      return down ? -way : way;
    });
    table.querySelectorAll("th[aria-sort]").forEach(function (th) { th.removeAttribute("aria-sort"); });
    header.setAttribute("aria-sort", down ? "descending" : "ascending");
    var piece = document.createDocumentFragment();
    order.forEach(function (row) { piece.appendChild(row); });
    body.appendChild(piece);
  }
  table.querySelectorAll("thead th").forEach(function (header, index) {
    var button = header.querySelector("button");
    if (button) { button.addEventListener("click", function () { sort(header, index); }); }
  });
  search.addEventListener("input", filter);
  show.addEventListener("change", filter);
  filter();
})();
