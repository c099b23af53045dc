// Codes of cases and patients, as the computer checks them: a weighted sum divisible by 31.
const ALPHABET = "23456789ABCDEFGHJKLMNPQRSTVWXYZ";

function checkSign(body) {
  const total = [...body].reverse().reduce((sum, sign, k) => sum + (k + 2) * ALPHABET.indexOf(sign), 0);
  return ALPHABET[(31 - (total % 31)) % 31];
}

export function newCode(practice) {
  let body = "";
  while (body.length < 5) {
    const drawn = crypto.getRandomValues(new Uint8Array(1))[0];
    if (drawn < 248) body += ALPHABET[drawn % 31]; // 248 = 8 × 31: every sign equally likely
  }
  return `${practice}-${body}${checkSign(body)}`;
}

/** A code as it was made: capitals do not count where it is typed, but a practice may be written with small letters. */
export function asMade(typed, practice) {
  const own = `${practice}-`, told = typed.toUpperCase();
  return told.startsWith(own.toUpperCase()) ? own + told.slice(own.length) : told;
}

export function isCode(code) {
  const signs = code.slice(code.lastIndexOf("-") + 1);
  return code.includes("-") && signs.length === 6 && [...signs].every((s) => ALPHABET.includes(s)) &&
    checkSign(signs.slice(0, 5)) === signs[5];
}
