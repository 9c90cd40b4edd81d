// Sorting, filters, the small stills of the table, and light or dark. The page says all it has to say without this.
(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  const root = document.documentElement;
  root.classList.add("scripts");

  // Light or dark: as the system says, until somebody chooses. Nothing is kept.
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const theme = $("theme");
  const isDark = () => (root.dataset.theme ? root.dataset.theme === "dark" : dark.matches);
  const name = () => {
    theme.textContent = isDark() ? "Light theme" : "Dark theme";
  };
  theme.addEventListener("click", () => {
    root.dataset.theme = isDark() ? "light" : "dark";
    name();
  });
  dark.addEventListener("change", name);
  name();
  theme.hidden = false;

  // Sections: what a link leads into opens; paper shows all.
  const reveal = () => {
    const target = $(decodeURIComponent(location.hash.slice(1)));
    const section = target && target.closest("details.character");
    if (!section) return;
    section.open = true;
    section.scrollIntoView();
    section.querySelector("summary").focus({ preventScroll: true });
  };
  addEventListener("hashchange", reveal);
  document.addEventListener("click", (event) => {
    // A second click on the same link changes no hash.
    const link = event.target.closest('a[href^="#c"]');
    if (link && link.hash === location.hash) reveal();
  });
  reveal();
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const section of closed) section.open = true;
  });
  addEventListener("afterprint", () => {
    for (const section of closed) section.open = false;
  });

  // Stills: two abreast, or one as wide as the page.
  for (const figure of document.querySelectorAll(".stills figure")) {
    const button = document.createElement("button");
    const caption = figure.querySelector("figcaption");
    const what = caption.textContent;
    const name = () => {
      const large = figure.classList.contains("large");
      button.textContent = large ? "Smaller" : "Larger";
      button.setAttribute("aria-label", `${button.textContent}: ${what}`);
    };
    button.type = "button";
    button.addEventListener("click", () => {
      figure.classList.toggle("large");
      name();
    });
    name();
    caption.append(button);
  }

  const table = $("overview");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = [...body.rows].map((row, place) => ({
    row,
    place,
    text: row.cells[0].textContent.toLowerCase(),
    standing: row.dataset.standing,
  }));

  // Sorting. What has no figure stays last; ties stay worst first.
  const order = new Intl.Collator(undefined, { numeric: true });
  const heads = [...table.tHead.rows[0].cells];
  const sort = (column) => {
    const head = heads[column];
    const numbers = head.dataset.sort === "number";
    // Figures begin with the greatest, words with the first; the verdict with the worst, which is the least.
    const first = numbers && column > 1 ? "descending" : "ascending";
    const other = first === "ascending" ? "descending" : "ascending";
    const direction = head.getAttribute("aria-sort") === first ? other : first;
    for (const each of heads) each.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", direction);
    const sign = direction === "ascending" ? 1 : -1;
    const value = ({ row }) => (numbers ? Number(row.cells[column].dataset.v ?? NaN) : row.cells[column].textContent);
    const keyed = rows.map((entry) => ({ entry, key: value(entry) }));
    keyed.sort((a, b) => {
      const [lacksA, lacksB] = [Number.isNaN(a.key), Number.isNaN(b.key)];
      if (lacksA || lacksB) return lacksA - lacksB || a.entry.place - b.entry.place;
      const by = numbers ? a.key - b.key : order.compare(a.key, b.key);
      return sign * by || a.entry.place - b.entry.place;
    });
    body.append(...keyed.map(({ entry }) => entry.row));
    say(`Sorted by ${head.textContent}, ${direction}. `);
  };
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => sort(column));
  });

  // Filters.
  const [filter, standing, shown] = [$("filter"), $("standing"), $("shown")];
  const say = (before = "") => {
    const count = rows.filter(({ row }) => !row.hidden).length;
    shown.textContent = `${before}${count} of ${rows.length} shown`;
  };
  const apply = () => {
    const text = filter.value.trim().toLowerCase();
    for (const entry of rows) {
      const fits = entry.text.includes(text) && (!standing.value || entry.standing === standing.value);
      entry.row.hidden = !fits;
    }
    say();
  };
  filter.addEventListener("input", apply);
  standing.addEventListener("change", apply);
  $("filters").addEventListener("submit", (event) => event.preventDefault());
  document.addEventListener("keydown", (event) => {
    const typing = event.target.closest("input, select, textarea, [contenteditable]");
    if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || typing) return;
    event.preventDefault();
    filter.focus();
  });
  $("filters").hidden = false;
  apply();

  // Small stills, from the large ones below, when their row comes into view.
  const seen = new IntersectionObserver((entries) => {
    for (const { isIntersecting, target } of entries) {
      if (!isIntersecting) continue;
      seen.unobserve(target);
      const img = document.createElement("img");
      img.alt = "";
      img.src = $(target.dataset.of).src;
      target.append(img);
    }
  });
  for (const thumb of table.querySelectorAll(".thumb")) seen.observe(thumb);
})();
