// The board: sort by a column, filter, search; says plainly when it is old.
'use strict';
const table = document.getElementById('runs'), body = table.tBodies[0], rows = [...body.rows];
const search = document.getElementById('search'), state = document.getElementById('state');
const fresh = document.getElementById('new'), shown = document.getElementById('shown');

function filter() {
  const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  let count = 0;
  for (const row of rows) {
    const fits = words.every(word => row.dataset.words.includes(word)) && (!state.value || row.dataset.state === state.value) &&
      (!fresh.checked || +row.dataset.new > 0);
    row.hidden = !fits;
    count += fits;
  }
  shown.textContent = `${count} of ${rows.length} runs shown`;
}

function sort(head) {
  const place = head.cellIndex, numbers = head.dataset.kind === 'number';
  const down = head.getAttribute('aria-sort') === 'ascending';
  for (const other of table.tHead.rows[0].cells) other.removeAttribute('aria-sort');
  head.setAttribute('aria-sort', down ? 'descending' : 'ascending');
  const value = row => { const v = row.cells[place].dataset.value; return numbers ? +v : v.toLowerCase(); };
  const order = (a, b) => { const x = value(a), y = value(b); return x < y ? -1 : x > y ? 1 : 0; };
  body.append(...[...rows].sort((a, b) => down ? order(b, a) : order(a, b)));
}

function age() {
  const made = document.getElementById('made'), hours = (Date.now() - Date.parse(made.querySelector('time').dateTime)) / 3.6e6;
  if (hours <= 24 || made.classList.contains('old')) return;
  made.classList.add('old');
  const days = Math.floor(hours / 24);
  made.append(` — OLD: no night for ${days} day${days > 1 ? 's' : ''}`);
}

search.addEventListener('input', filter);
state.addEventListener('change', filter);
fresh.addEventListener('change', filter);
table.tHead.addEventListener('click', event => { const head = event.target.closest('th[data-kind]'); if (head) sort(head); });
document.documentElement.classList.add('live');
filter(); age();
setInterval(age, 600000);
