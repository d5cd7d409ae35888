// Shows the elements of one status, in each skeleton of the index by itself.
for (const target of document.querySelectorAll(".target")) {
  const buttons = target.querySelectorAll("[data-show]");
  const rows = target.querySelectorAll("tr[data-status]");
  target.querySelector(".filter").hidden = false;
  for (const button of buttons) {
    button.addEventListener("click", () => {
      const status = button.dataset.show;
      for (const other of buttons) other.setAttribute("aria-pressed", String(other === button));
      for (const row of rows) row.hidden = status !== "all" && row.dataset.status !== status;
    });
  }
}
