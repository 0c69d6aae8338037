// Numbers and times as people read them.

/** Decimals by size: 0.28, 4.9, 81.3 (the printed report has the same rule). */
function decimals(percent) {
  return Math.abs(percent) < 1 && percent !== 0 ? 2 : 1;
}

/** A share of 0 to 1 in per cent, without the sign; `as` gives the decimals. */
export function percent(share, as = share) {
  if (share === null || share === undefined || !Number.isFinite(share)) return "–";
  return (100 * share).toFixed(decimals(100 * as));
}

/** `4.9 %`. */
export const share = (value) => `${percent(value)} %`;

/** `3.8 to 6.3 %`. */
export const range = (low, high, as) => `${percent(low, as)} to ${percent(high, as)} %`;

/** A number with `digits` decimals, and a dash for none. */
export const fixed = (value, digits = 1) => (value === null || value === undefined || !Number.isFinite(Number(value)) ? "–" : Number(value).toFixed(digits));

/** A whole number with thin spaces: 11 450. */
export function whole(value) {
  if (value === null || value === undefined || !Number.isFinite(Number(value))) return "–";
  return Math.round(Number(value)).toString().replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f");
}

/** Money as the ledger writes it (a decimal string), with its currency. */
export function money(value, currency) {
  if (value === null || value === undefined) return "–";
  const [sign, digits, rest] = /^(-?)(\d+)(\.\d+)?$/.exec(String(value))?.slice(1) ?? ["", null, ""];
  const text = digits === null ? String(value) : `${sign === "-" ? "−" : ""}${digits.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f")}${rest ?? ""}`;
  return currency ? `${text} ${currency}` : text;
}

/** `1 tray`, `3 trays`. */
export const plural = (count, noun, many = `${noun}s`) => `${count} ${count === 1 ? noun : many}`;

/** A time of the ledger in the reader's own clock. */
export function when(stamp) {
  const time = new Date(stamp);
  if (Number.isNaN(time.getTime())) return String(stamp ?? "");
  const two = (n) => String(n).padStart(2, "0");
  return `${time.getFullYear()}-${two(time.getMonth() + 1)}-${two(time.getDate())} ${two(time.getHours())}:${two(time.getMinutes())}`;
}

/** Bytes in MB. */
export const megabytes = (bytes) => `${(bytes / 1e6).toFixed(1)} MB`;

/** Words that begin with a capital, as a sentence does. */
export const sentence = (words) => words.charAt(0).toUpperCase() + words.slice(1);
