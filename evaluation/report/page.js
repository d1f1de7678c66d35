"use strict";
// Sorts a table by the column whose heading is pressed (pointer, Enter or space); cells without a value go last.
document.querySelectorAll("table.sortable").forEach(function (table) {
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  heads.forEach(function (head, column) {
    head.querySelector("button").addEventListener("click", function () {
      const down = head.getAttribute("aria-sort") === "ascending";
      const numbers = head.classList.contains("number");
      const key = function (row) { return row.cells[column].dataset.key; };
      const rows = Array.from(body.rows);
      rows.sort(function (a, b) {
        const one = key(a), two = key(b);
        if (one === "" || two === "") return (one === "") - (two === "");
        const order = numbers ? Number(one) - Number(two) : one.localeCompare(two, "en", { numeric: true });
        return down ? -order : order;
      });
      heads.forEach(function (other) { other.setAttribute("aria-sort", "none"); });
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      body.append(...rows);
    });
  });
});
// A table in a box of its own shows whole rows only: the box ends with a row, and scrolling stops at one.
document.querySelectorAll(".wide.long").forEach(function (box) {
  const head = box.querySelector("thead").offsetHeight;
  const rows = Array.from(box.querySelectorAll("tbody tr"));
  const last = rows.filter(function (row) { return row.offsetTop + row.offsetHeight <= box.clientHeight; }).pop();
  if (last) box.style.maxHeight = last.offsetTop + last.offsetHeight + (box.offsetHeight - box.clientHeight) + "px";
  box.style.scrollPaddingTop = head + "px";
});
