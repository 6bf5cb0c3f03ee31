/* Sorting and filtering of tables. The page is complete without it. */
(function () {
  "use strict";
  var FEW = 3, LONG = 12;

  /* What a cell sorts by: its first number, or its text; nothing and dashes come last. */
  function key(cell, isNumber) {
    var text = cell.textContent.trim();
    if (!isNumber) return text ? text.toLocaleLowerCase("en") : null;
    var found = text.replace(/\u2212/g, "-").match(/-?\d+(\.\d+)?(e[-+]?\d+)?/i);
    if (!found) return null;
    var value = parseFloat(found[0]);
    return /^</.test(text) ? value - 1e-9 : value;
  }

  function compare(a, b, direction) {
    if (a === null || b === null) return (a === null) - (b === null);
    var order = typeof a === "number" ? a - b : a < b ? -1 : a > b ? 1 : 0;
    return direction * order;
  }

  function sortable(table, body, rows, say) {
    var heads = Array.prototype.slice.call(table.tHead.rows[0].cells);
    heads.forEach(function (head, place) {
      var button = document.createElement("button"), words = head.textContent;
      button.type = "button";
      while (head.firstChild) button.appendChild(head.firstChild);
      head.appendChild(button);
      head.setAttribute("aria-sort", "none");
      button.addEventListener("click", function () {
        var was = head.getAttribute("aria-sort");
        var now = was === "none" ? "ascending" : was === "ascending" ? "descending" : "none";
        heads.forEach(function (other) { other.setAttribute("aria-sort", "none"); });
        head.setAttribute("aria-sort", now);
        var order = rows.slice(), isNumber = head.classList.contains("n");
        if (now !== "none") {
          order.sort(function (a, b) {
            var way = now === "ascending" ? 1 : -1;
            return compare(key(a.cells[place], isNumber), key(b.cells[place], isNumber), way);
          });
        }
        order.forEach(function (row) { body.appendChild(row); });
        say(now === "none" ? "In the order of the report." : "Sorted by " + words + ", " + now + ".");
      });
    });
  }

  function filterable(figure, scroll, rows, say) {
    var label = document.createElement("label"), input = document.createElement("input");
    label.className = "filter";
    label.textContent = "Show rows with ";
    input.type = "search";
    input.addEventListener("input", function () {
      var wanted = input.value.trim().toLocaleLowerCase("en"), shown = 0;
      rows.forEach(function (row) {
        var text = row.textContent.replace(/\u00a0/g, " ").toLocaleLowerCase("en");
        row.hidden = wanted !== "" && text.indexOf(wanted) < 0;
        if (!row.hidden) shown += 1;
      });
      say(wanted === "" ? "" : shown + " of " + rows.length + " rows shown.");
    });
    label.appendChild(input);
    figure.insertBefore(label, scroll);
  }

  Array.prototype.forEach.call(document.querySelectorAll("figure.table"), function (figure) {
    var table = figure.querySelector("table"), body = table.tBodies[0];
    var scroll = figure.querySelector(".scroll"), status = document.createElement("p");
    var rows = Array.prototype.slice.call(body.rows);
    if (rows.length < FEW) return;
    status.className = "status";
    status.setAttribute("role", "status");
    function say(text) { status.textContent = text; }
    sortable(table, body, rows, say);
    if (rows.length >= LONG) filterable(figure, scroll, rows, say);
    figure.appendChild(status);
  });
})();
