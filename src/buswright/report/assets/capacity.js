"use strict";
/* The timetable is drawn already; tables sort. */
Plots.start();
