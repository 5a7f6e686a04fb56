// A table of pairs over a textarea that holds it as lines "x : y"; one row without x is a single
// value. The textarea stays the field: what is typed here goes into it, drafts and all.

export function tabled(area, key) {
  const box = document.createElement("fieldset");
  box.className = "curve";
  const legend = document.createElement("legend");
  legend.className = "small quiet";
  legend.textContent = "A row a point; leave the left column empty to give one number only.";
  const list = document.createElement("div");
  const more = document.createElement("button");
  more.type = "button";
  more.textContent = "Add a row";
  more.setAttribute("aria-label", `Add a row to ${key}`);
  const waits = document.createElement("p");
  waits.className = "small quiet";
  waits.setAttribute("role", "status");
  box.append(legend, list, more, waits);
  area.after(box);
  area.hidden = true;

  function pairs() {
    const lines = area.value.split("\n").filter((line) => line.trim());
    return lines.map((line) => {
      const [first, ...rest] = line.split(":");
      return rest.length ? [first.trim(), rest.join(":").trim()] : ["", first.trim()];
    });
  }
  function cell(text, name, number) {
    const input = document.createElement("input");
    input.value = text;
    input.autocomplete = "off";
    input.setAttribute("aria-label", `${key}, row ${number}, ${name}`);
    input.setAttribute("aria-describedby", area.getAttribute("aria-describedby"));
    input.addEventListener("input", () => gather("input"));
    input.addEventListener("change", (event) => { event.stopPropagation(); gather("change"); });
    return input;
  }
  function row([x, y], number) {
    const line = document.createElement("div");
    line.className = "pair";
    const away = document.createElement("button");
    away.type = "button";
    away.textContent = "×";
    away.setAttribute("aria-label", `Take row ${number} out of ${key}`);
    away.addEventListener("click", () => { line.remove(); gather("input"); gather("change"); });
    line.append(cell(x, "left column", number), cell(y, "right column", number), away);
    return line;
  }
  const cells = () => [...list.children].map((line) =>
    [...line.querySelectorAll("input")].map((input) => input.value.trim()));
  /** Number of the row that lacks one of its columns; 0 when none does. One number alone is whole. */
  function half() {
    const rows = cells(), filled = rows.filter(([x, y]) => x || y).length;
    return rows.findIndex(([x, y]) => (x && !y) || (y && !x && filled > 1)) + 1;
  }
  function hint() {
    const number = half();
    waits.textContent = number ? `Row ${number} lacks a column: it stays on this device until both are typed.` : "";
  }
  function gather(event) {
    hint();
    area.value = [...list.children].map((line) => {
      const [x, y] = [...line.querySelectorAll("input")].map((input) => input.value.trim());
      return x ? `${x} : ${y}` : y;
    }).filter(Boolean).join("\n");
    area.dispatchEvent(new Event(event));
  }
  function show() {
    const rows = pairs();
    waits.textContent = "";
    list.replaceChildren(...(rows.length ? rows : [["", ""]]).map((pair, n) => row(pair, n + 1)));
  }
  more.addEventListener("click", () => {
    const line = row(["", ""], list.children.length + 1);
    list.append(line);
    line.querySelector("input").focus();
  });
  show();
  const invalid = (is) => {
    for (const input of list.querySelectorAll("input")) {
      if (is) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
    }
  };
  return { show, invalid, half };
}
