// Asking the server. All addresses are relative: the session's secret is in the page's own path.

export class Refused extends Error {
  constructor(message, status) {
    super(message);
    this.status = status;
  }
}

async function answered(response) {
  if (response.ok) return response;
  let message = `The server answers ${response.status}.`;
  try {
    message = (await response.json()).error ?? message;
  } catch { /* no JSON: the sentence above will do */ }
  throw new Refused(message, response.status);
}

async function ask(path, options) {
  try {
    return await answered(await fetch(path, { cache: "no-store", ...options }));
  } catch (error) {
    if (error instanceof Refused || error.name === "AbortError") throw error;
    throw new Refused("The server does not answer: limbward review has ended.", 0);
  }
}

export async function get(path) {
  return (await ask(`api/${path}`)).json();
}

function posted(body, signal) {
  return {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
    signal,
  };
}

export async function post(path, body = {}) {
  return (await ask(`api/${path}`, posted(body))).json();
}

/** A view of the picture: its pixels, and what is to be known of it. */
export async function view(body) {
  const response = await ask("api/view", posted(body));
  const about = JSON.parse(response.headers.get("Limbward-About"));
  return { about, bitmap: await createImageBitmap(await response.blob()) };
}
