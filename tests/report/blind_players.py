"""Players of the page's blind test: how they are put into a page, and what their results tell."""

import json
from fractions import Fraction
from itertools import accumulate
from math import comb
from typing import Any

import numpy as np
from scipy import stats

# What goes to the loudspeaker goes to an ear, too.
EAR = """
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (target instanceof AudioDestinationNode) {
      window.ear = this.context.createAnalyser();
      Object.assign(window.ear, { fftSize: 4096, smoothingTimeConstant: 0 });
      connect.call(this, window.ear);
    }
    return connect.call(this, target, ...rest);
  };
"""

# Files are kept instead of saved.
KEEP_FILES = """
  window.kept = [];
  URL.createObjectURL = (blob) => { window.kept.push(blob); return 'blob:kept'; };
  URL.revokeObjectURL = () => {};
  HTMLAnchorElement.prototype.click = () => {};
"""

# Plays A, B and X, takes the loudest note of each from the loudspeaker's sound, and answers with
# the one of which X's note is nearer. It waits on the clock of the sound: slow machines play late.
LISTENS = """
  async () => {
    const query = (selector) => document.querySelector(selector);
    const rest = () => new Promise((done) => setTimeout(done, 5));
    const note = async (which) => {
      query(`[data-hear=${which}]`).click();
      while (!query('#now').textContent.startsWith('Playing')) await rest();
      const { context } = window.ear;
      const from = context.currentTime;
      while (context.currentTime < from + 0.22) await rest();
      const bins = new Float32Array(window.ear.frequencyBinCount);
      window.ear.getFloatFrequencyData(bins);
      return (bins.indexOf(Math.max(...bins)) * context.sampleRate) / window.ear.fftSize;
    };
    query('#blind-setup [type=submit]').click();
    const [a, b] = [await note('a'), await note('b')];
    while (query('#blind-result').hidden) {
      const x = await note('x');
      query(`[data-answer=${Math.abs(x - a) < Math.abs(x - b) ? 'a' : 'b'}]`).click();
    }
    query('#blind-save').click();
    query('#blind-again').click();
    return { a, b, file: await window.kept.pop().text() };
  }
"""

# Presses X and answers by numbers of its own (a linear congruential generator, its high bit).
GUESSES = """
  async ([runs, start]) => {
    const query = (selector) => document.querySelector(selector);
    const channel = new MessageChannel();
    const soon = () => new Promise((done) => {
      channel.port1.onmessage = done;
      channel.port2.postMessage(null);
    });
    const [x, a, b] = ['[data-hear=x]', '[data-answer=a]', '[data-answer=b]'].map(query);
    let number = start;
    const files = [];
    for (let run = 0; run < runs; run += 1) {
      query('#blind-setup [type=submit]').click();
      while (query('#blind-result').hidden) {
        x.click();
        while (a.getAttribute('aria-disabled') !== 'false') await soon();
        number = (Math.imul(number, 1664525) + 1013904223) >>> 0;
        (number >>> 31 ? a : b).click();
      }
      query('#blind-save').click();
      files.push(await window.kept.pop().text());
      query('#blind-again').click();
    }
    return files;
  }
"""


def chances_exactly(of: int, p: Fraction = Fraction(1, 2)) -> list[Fraction]:
    """P(X >= right) for every `right` from 0 to `of`, X binomial (of, p), in whole numbers."""
    q = 1 - p
    terms = [comb(of, k) * p**k * q ** (of - k) for k in range(of, -1, -1)]
    return list(accumulate(terms))[::-1]


def read_results(files: list[str]) -> list[dict[str, Any]]:
    """Parse saved results; each must agree with its own trials."""
    results = [json.loads(file) for file in files]
    for result in results:
        assert result["of"] == result["planned"] == len(result["trials"])
        assert result["right"] == sum(t["x"] == t["answer"] for t in result["trials"])
        exact = float(chances_exactly(result["of"])[result["right"]])
        assert abs(result["probability"] / exact - 1.0) < 1e-12
    return results


def against_theory(results: list[dict[str, Any]]) -> dict[str, float]:
    """Return how likely results as odd as these are if X is drawn fairly and guessed at.

    Pearson's chi-square over the counts of right answers, tails pooled to an expected 5 at least;
    exact binomial tests of how many tests were passed, of X's share and of X's repeats.
    """
    of, runs = results[0]["of"], len(results)
    right = np.array([result["right"] for result in results])
    expected = runs * stats.binom.pmf(np.arange(of + 1), of, 0.5)
    low = int(np.argmax(np.cumsum(expected) >= 5.0))
    high = of - low
    seen = np.bincount(np.clip(right, low, high), minlength=high + 1)[low:]
    pooled = expected[low : high + 1].copy()
    pooled[0] += expected[:low].sum()
    pooled[-1] += expected[high + 1 :].sum()
    passed = sum(result["probability"] <= 0.05 for result in results)
    passing = float(max(chance for chance in chances_exactly(of) if chance <= Fraction(1, 20)))
    drawn = np.array([[trial["x"] == "a" for trial in result["trials"]] for result in results])
    repeats = drawn[:, 1:] == drawn[:, :-1]
    print(
        f"{runs} runs of {of}: right in mean {right.mean():.3f}, passed {passed / runs:.4f} "
        f"(theory {passing:.4f}), X was a in {drawn.mean():.4f}, "
        f"as before in {repeats.mean():.4f}"
    )

    def exact(count: int, of_all: int, p: float) -> float:
        return float(stats.binomtest(int(count), of_all, p).pvalue)

    return {
        "counts": float(stats.chisquare(seen, pooled).pvalue),
        "passed": exact(passed, runs, passing),
        "share": exact(drawn.sum(), drawn.size, 0.5),
        "repeats": exact(repeats.sum(), repeats.size, 0.5),
    }
