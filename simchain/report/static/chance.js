// What a count of right answers is worth: exact chances, and what they mean in words. A test of
// `of` trials is passed when a guesser would be right as often in one test of twenty or less.

const RARE = 0.05;
const GOOD_LISTENER = 0.7;

// P(X >= right) for X binomial (of, p), 0 < p < 1. Each term follows from the one above it:
// C(n, k - 1) = C(n, k) k / (n - k + 1). All are positive, so no digits cancel.
function atLeast(right, of, p = 0.5) {
  let [term, sum] = [p ** of, 0];
  for (let count = of; count >= right; count -= 1) {
    sum += term;
    term *= ((count / (of - count + 1)) * (1 - p)) / p;
  }
  return Math.min(1, sum);
}

// The smallest count that passes; null where even all right is no rare thing (4 trials or fewer).
function passMark(of) {
  for (let right = 0; right <= of; right += 1) if (atLeast(right, of) <= RARE) return right;
  return null;
}

// How often a listener who is right with chance `p` passes a test of `of` trials.
function power(of, p = GOOD_LISTENER) {
  const mark = passMark(of);
  return mark === null ? 0 : atLeast(mark, of, p);
}

function percent(part) {
  const hundredths = 100 * part;
  if (hundredths < 0.0001) return "less than 0.0001 %";
  if (hundredths >= 99.95) return part < 1 ? "more than 99.9 %" : "100 %";
  if (hundredths >= 0.1) return `${hundredths.toFixed(1)} %`;
  return `${hundredths.toFixed(1 - Math.floor(Math.log10(hundredths)))} %`;
}

const chanceWords = (right, of) =>
  `Someone who only guesses gets as many or more in ${percent(atLeast(right, of))} of such tests.`;

function meaningWords(right, of, planned = of) {
  if (atLeast(right, of) <= RARE) {
    if (of < planned) return "That is a sign of a difference, and no more than that.";
    return "You very likely heard a difference: between these sounds, at this level, today.";
  }
  const not = "That does not show that you heard a difference, and it is no proof that there is none: ";
  const mark = passMark(of);
  if (mark === null) return `${not}so few trials show nothing, even with every answer right.`;
  const passes = power(of);
  return (
    `${not}with ${of} trials it takes ${mark} right, and a listener who is right in 70 of 100 trials ` +
    `gets there in ${passes < 0.8 ? "only " : ""}${Math.round(100 * passes)} % of tests.`
  );
}

const stoppedWords = (of, planned) =>
  `Stopped early, after ${of} of ${planned} trials: a test that ends when its listener likes says ` +
  "less than its percentage.";

const EXPECTED = {
  same: "no difference",
  free: "no difference",
  subtle: "a subtle difference",
  clear: "a clear difference",
};

// The prediction for the pair beside what was heard; '' where there is none. A test that was not
// taken to its end neither agrees nor disagrees.
function predictionWords(pair, passed, whole = true) {
  if (!pair || !EXPECTED[pair.verdict]) return "";
  const score = typeof pair.score === "number" ? `, score ${pair.score.toFixed(1)}` : "";
  const said = `The prediction was ${EXPECTED[pair.verdict]}${score}${pair.borderline ? ", borderline" : ""}. `;
  if (!whole) return said.trim();
  const expected = pair.verdict === "subtle" || pair.verdict === "clear";
  if (expected && passed) return `${said}Your ears agree with it.`;
  if (expected) return `${said}This test does not bear it out. Ears have the last word: what you do not hear need not decide.`;
  if (passed) return `${said}Your ears disagree with it, and ears have the last word.`;
  return `${said}Your ears agree with it, as far as such a test goes.`;
}
