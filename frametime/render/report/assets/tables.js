// Long tables: sort by any column, filter by words and by choice. Without scripts they are plain tables.
(function () {
  "use strict";

  function sortKey(cell) {
    if (cell.hasAttribute("data-missing")) return null;
    const text = cell.dataset.sort ?? cell.dataset.value ?? cell.dataset.low;
    if (text === undefined) {
      const mark = cell.querySelector(".mark");
      if (mark) return wordsOf(mark);
      const inner = cell.querySelector("[data-value], [data-low]");
      if (inner && cell.classList.contains("n")) return Number(inner.dataset.value ?? inner.dataset.low);
      const shown = cell.textContent.trim();
      return shown === "–" || shown === "n/a" ? null : shown;
    }
    const number = Number(text);
    return text.trim() !== "" && !Number.isNaN(number) ? number : text;
  }

  const compareTexts = new Intl.Collator(document.documentElement.lang, { numeric: true }).compare;

  function compare(first, second) {
    if (typeof first === "number" && typeof second === "number") return first - second;
    return compareTexts(String(first), String(second));
  }

  function sortRows(table, position, direction) {
    const body = table.tBodies[0];
    const keyed = Array.from(body.rows, (row) => ({ row, key: sortKey(row.cells[position]) }));
    keyed.sort((a, b) => {
      // What has no value stands last, whichever way the rest is sorted.
      if (a.key === null || b.key === null) return (a.key === null ? 1 : 0) - (b.key === null ? 1 : 0);
      return direction * compare(a.key, b.key);
    });
    body.append(...keyed.map((item) => item.row));
    Array.from(table.tHead.rows[0].cells).forEach((cell, index) => {
      if (index === position) cell.setAttribute("aria-sort", direction > 0 ? "ascending" : "descending");
      else cell.removeAttribute("aria-sort");
    });
  }

  function addSorting(table) {
    Array.from(table.tHead.rows[0].cells).forEach((heading, position) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...heading.childNodes);
      heading.append(button);
      button.addEventListener("click", () => {
        sortRows(table, position, heading.getAttribute("aria-sort") === "ascending" ? -1 : 1);
      });
    });
  }

  function wordsOf(cell) {
    const copy = cell.cloneNode(true);
    copy.querySelectorAll(".ref, [aria-hidden]").forEach((part) => part.remove());
    return copy.textContent.trim();
  }

  function choiceOf(cell) {
    const mark = cell.querySelector(".mark");
    return wordsOf(mark || cell);
  }

  function labelled(text, control) {
    const label = document.createElement("label");
    const caption = document.createElement("span");
    caption.textContent = text;
    label.append(caption, control);
    return label;
  }

  function addFilter(box, table) {
    const rows = Array.from(table.tBodies[0].rows);
    const tools = document.createElement("div");
    tools.className = "tools";
    const search = document.createElement("input");
    search.type = "search";
    search.placeholder = "words in any cell";
    tools.append(labelled("Find", search));

    const choices = [];
    Array.from(table.tHead.rows[0].cells).forEach((heading, position) => {
      if (!heading.hasAttribute("data-choice")) return;
      const values = new Set(rows.map((row) => choiceOf(row.cells[position])));
      if (values.size < 2) return;
      const select = document.createElement("select");
      select.append(new Option("all", ""));
      values.forEach((value) => select.append(new Option(value, value)));
      tools.append(labelled(heading.textContent.trim(), select));
      choices.push({ position, select });
    });

    const shown = document.createElement("output");
    tools.append(shown);
    const texts = rows.map((row) => Array.from(row.cells, wordsOf).join(" ").toLowerCase());

    function apply() {
      const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean);
      let count = 0;
      rows.forEach((row, index) => {
        const fits =
          wanted.every((word) => texts[index].includes(word)) &&
          choices.every(({ position, select }) => !select.value || choiceOf(row.cells[position]) === select.value);
        row.hidden = !fits;
        count += fits ? 1 : 0;
      });
      shown.textContent = `${count} of ${rows.length} rows`;
    }

    search.addEventListener("input", apply);
    choices.forEach(({ select }) => select.addEventListener("change", apply));
    apply();
    box.prepend(tools);
  }

  document.querySelectorAll(".table.long").forEach((box) => {
    const table = box.querySelector("table");
    addFilter(box, table);
    addSorting(table);
  });

  // A link to a note or table inside folded parts opens them; so does printing.
  function unfold(target) {
    for (let part = target; part; part = part.parentElement) if (part.tagName === "DETAILS") part.open = true;
  }
  function followHash() {
    const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (target) {
      unfold(target);
      target.scrollIntoView();
    }
  }
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest('a[href^="#"]');
    const target = link && document.getElementById(link.getAttribute("href").slice(1));
    if (target) unfold(target);
  });
  window.addEventListener("hashchange", followHash);
  followHash();

  let folded = [];
  window.addEventListener("beforeprint", () => {
    folded = Array.from(document.querySelectorAll("details:not([open])"));
    folded.forEach((part) => { part.open = true; });
  });
  window.addEventListener("afterprint", () => {
    folded.forEach((part) => { part.open = false; });
    folded = [];
  });
})();
