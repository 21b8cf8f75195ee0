// One question in flight; of those that come up meanwhile only the newest is asked.
export class LatestWins {
  constructor({ ask, take, failed = () => {} }) {
    this.ask = ask;
    this.take = take;
    this.failed = failed;
    this.flying = null;
    this.waiting = null;
    this.closed = false;
  }

  push(question) {
    if (this.closed) return;
    if (this.flying) {
      this.waiting = { question };
      return;
    }
    this.send(question);
  }

  /** Nothing asked and nothing waiting. */
  get idle() {
    return !this.flying;
  }

  async send(question) {
    const stop = new AbortController();
    this.flying = stop;
    try {
      const answer = await this.ask(question, stop.signal);
      if (!this.closed) this.take(answer, question);
    } catch (error) {
      if (!this.closed) this.failed(error, question);
    }
    this.flying = null;
    if (this.waiting && !this.closed) {
      const next = this.waiting.question;
      this.waiting = null;
      this.send(next);
    }
  }

  close() {
    this.closed = true;
    this.waiting = null;
    this.flying?.abort();
  }
}

export class Refused extends Error {
  constructor(status) {
    super(`status ${status}`);
    this.status = status;
  }
}

export async function postJson(url, body, signal) {
  const response = await fetch(url, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    credentials: "same-origin",
    body: JSON.stringify(body),
    signal,
  });
  if (!response.ok) throw new Refused(response.status);
  return response;
}

export async function getBytes(url, signal) {
  const response = await fetch(url, { credentials: "same-origin", signal });
  if (!response.ok) throw new Refused(response.status);
  return response.arrayBuffer();
}
