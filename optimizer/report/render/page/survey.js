
/* What each chart of a survey shows. */

function drivers(key, look = {}) {
  return (subject) => subject.drivers.map((driver, k) => ({ key: driver.name, name: driver.name, values: driver[key], colour: `--way${k % 6}`, width: 2.2, dash: DASHES[k % 6], ...look }))
    .filter((item) => item.values);
}

/* Between what the level lies below the join with a near field: the edges of the front are not known better. */
function joinedBand({ name, response_db: values, below_join_db: half }) {
  if (!half) return [];
  const edge = (sign) => values.map((v, i) => (v === null || half[i] === null ? NaN : v + sign * half[i]));
  return [{ key: `${name} band`, name: `${name}, below the join`, shade: true, colour: "--band", low: edge(-1), high: edge(1) }];
}

Object.assign(SPECS, {
  responses: { whole: true, unit: "dB", digits: 1, range: (lists) => levels(lists, 40),
    series: (subject) => [...subject.drivers.flatMap(joinedBand), ...drivers("response_db")(subject)] },
  impedances: { whole: true, unit: "Ω", digits: 2, log: true, ticks: OHM_TICKS, series: drivers("impedance_ohm"),
    range: (lists) => {
      const all = lists.flat().filter((v) => v !== null);
      return [0.8 * Math.min(...all), 1.25 * Math.max(16, ...all)];
    } },
  phases: { whole: true, unit: "°", digits: 0, ticks: DEGREE_TICKS, range: (lists) => around(lists, 60, 30), series: drivers("impedance_phase_deg") },
});
for (const plane of Object.keys(DATA.planes)) SPECS[plane] = angleSpec(plane, true);
