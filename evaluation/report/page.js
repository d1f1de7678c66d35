// A table in a box of its own shows whole rows only: the box ends with a row, and scrolling stops at one.
document.querySelectorAll(".wide.long").forEach(function (box) {
  const head = box.querySelector("thead").offsetHeight;
  const rows = Array.from(box.querySelectorAll("tbody tr"));
  const last = rows.filter(function (row) { return row.offsetTop + row.offsetHeight <= box.clientHeight; }).pop();
  if (last) box.style.maxHeight = last.offsetTop + last.offsetHeight + (box.offsetHeight - box.clientHeight) + "px";
  box.style.scrollPaddingTop = head + "px";
});
