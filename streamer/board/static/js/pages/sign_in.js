// Signing in: the form is sent as JSON, since the board takes nothing else.

import { act, Problem } from "../act.js";
import { show } from "../dom.js";
import "../frame.js";

const form = document.getElementById("sign-in");
const problem = document.getElementById("problem");
const button = form.querySelector("button");

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (button.disabled) return;
  button.disabled = true;
  show(problem);
  try {
    const { name, password } = Object.fromEntries(new FormData(form));
    await act("POST", "/api/v1/session", { name, password });
    location.replace(form.dataset.next);
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    show(problem, error.status === 401 ? "Name or password is not right." : error.message);
    form.elements.password.value = "";
    form.elements.password.focus();
    button.disabled = false;
  }
});
