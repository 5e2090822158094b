// The pull form works without this: it shows the time in the reader's zone and adds rows in place.
const drawn = document.getElementById("drawn_at");
const offset = document.getElementById("utc_offset_min");
const rows = document.getElementById("rows");
const more = document.getElementById("more");
const list = document.getElementById("fruit-rows");

const pad = (n) => String(n).padStart(2, "0");

function zone(minutes) {
  const size = Math.abs(minutes);
  return minutes === 0 ? "UTC"
    : `UTC${minutes < 0 ? "−" : "+"}${pad(Math.floor(size / 60))}:${pad(size % 60)}`;
}

function local(date) {
  return `${date.getFullYear()}-${pad(date.getMonth() + 1)}-${pad(date.getDate())}` +
    `T${pad(date.getHours())}:${pad(date.getMinutes())}`;
}

function settle() {
  const date = new Date(drawn.value);
  if (Number.isNaN(date.getTime())) return;
  offset.value = String(-date.getTimezoneOffset());
  document.getElementById("zone").textContent = zone(Number(offset.value));
}

if (drawn.hasAttribute("data-fresh")) {
  drawn.value = local(new Date(`${drawn.value}Z`));
  settle();
} else {
  document.getElementById("zone").textContent = zone(Number(offset.value));
}
drawn.addEventListener("change", settle);

more.addEventListener("click", (event) => {
  event.preventDefault();
  const first = Number(rows.value);
  const last = Math.min(first + 10, Number(rows.dataset.most));
  const pattern = list.lastElementChild;
  for (let i = first; i < last; i += 1) {
    const row = pattern.cloneNode(true);
    row.querySelector("legend").textContent =
      pattern.querySelector("legend").textContent.replace(/\d+/, String(i + 1));
    for (const wrong of row.querySelectorAll(".mistake")) wrong.remove();
    for (const part of row.querySelectorAll("[name]")) {
      part.name = part.name.replace(/^f\d+_/, `f${i}_`);
      part.id = part.name;
      part.removeAttribute("aria-invalid");
      part.removeAttribute("aria-describedby");
      if (part.tagName === "SELECT") part.selectedIndex = 0; else part.value = "";
    }
    for (const label of row.querySelectorAll("label")) {
      label.htmlFor = label.htmlFor.replace(/^f\d+_/, `f${i}_`);
    }
    list.append(row);
  }
  rows.value = String(last);
  more.disabled = last >= Number(rows.dataset.most);
  document.getElementById(`f${first}_box`)?.focus();
});

document.getElementById("summary")?.focus();
