// A page that says what went wrong: the frame alone lives, with its banners.

import { start } from "../frame.js";

if (document.documentElement.dataset.public === undefined) start([], () => {});
