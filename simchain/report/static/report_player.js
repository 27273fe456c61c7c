// What only a report asks of its player: sounds that lie in the page, and a switch that tells nothing.

const HUSH_S = 0.008;

class ReportPlayer extends Player {
  // Decode the sounds of one passage; those of the last one are let go when it starts.
  async decode(texts) {
    return Promise.all(
      texts.map((text) => (text ? this.context.decodeAudioData(bytesOf(text).buffer) : null)),
    );
  }

  // Fade to silence, change the gains in it, and fade back: what is heard of the change is the same
  // whether the gains become others or stay as they are.
  dipTo(gains) {
    const settled = Math.max(...this.take.orders.map((fader) => fader.until));
    this.hush.to(0, Math.max(this.soon() / this.context.sampleRate, settled));
    this.take.fadeTo(gains, this.hush.until, HUSH_S);
    this.hush.to(1, this.hush.until + HUSH_S);
  }
}

function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let place = 0; place < text.length; place += 1) bytes[place] = text.charCodeAt(place);
  return bytes;
}
