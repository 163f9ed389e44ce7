// Talks to the server. Every answer names the run; another run means that the
// films were measured again, and the page starts anew.

let run = "";

export class Refused extends Error {
  constructor(status, body) {
    super(body.error || `the server answered ${status}`);
    this.status = status;
    this.body = body;
  }
}

async function ask(path, options) {
  const answer = await fetch(path, { credentials: "same-origin", ...options });
  const body = await answer.json().catch(() => ({}));
  if (body.run && run && body.run !== run) {
    location.reload();
    return new Promise(() => {});
  }
  if (body.run) run = body.run;
  if (!answer.ok) throw new Refused(answer.status, body);
  return body;
}

export const get = (path) => ask(path, {});

export const post = (path, body) => ask(path, {
  method: "POST",
  headers: { "Content-Type": "application/json", "X-Shaftgauge": "1" },
  body: JSON.stringify({ ...body, run }),
});

// picture fetches a film's bytes.
export async function picture(id, signal) {
  const answer = await fetch(`/api/image/${id}`, { credentials: "same-origin", signal });
  if (!answer.ok) throw new Refused(answer.status, await answer.json().catch(() => ({})));
  return answer.arrayBuffer();
}
