-- A garage as schema 1 left it, written out by hand: no code of the program makes it.
-- Visit 4 names an engine that has no card, which schema 1 allowed; "weather" is a key that only
-- another version knew.
PRAGMA application_id = 1986093932;
PRAGMA user_version = 1;
CREATE TABLE engines (
    name TEXT PRIMARY KEY COLLATE NOCASE,
    toml TEXT NOT NULL,
    added TEXT NOT NULL DEFAULT ''
);
CREATE TABLE rigs (
    name TEXT PRIMARY KEY COLLATE NOCASE,
    toml TEXT NOT NULL,
    added TEXT NOT NULL DEFAULT ''
);
CREATE TABLE visits (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    engine TEXT COLLATE NOCASE,
    rig TEXT COLLATE NOCASE,
    begun TEXT NOT NULL DEFAULT '',
    document TEXT NOT NULL
);
CREATE INDEX visits_engine ON visits (engine, begun);
INSERT INTO engines VALUES ('Pump-house engine', '# What the book of the pump house says, and what was checked on the engine itself.
name = "Pump-house engine"
cylinders = 4
firing_order = [1, 3, 4, 2]
rotor_turns = "counterclockwise"   # seen from above the cap
static_deg = 9.0
static_tolerance_deg = 2.0
idle_rpm = 860
centrifugal = [[1200, 0], [1700, 10], [3200, 20]]
max_total_deg = 34.0               # without vacuum advance
body_radius_mm = 34.0
vacuum_advance = "ported"          # hose off and plugged for the work
tdc_verified = true                # soft piston stop, turned by hand
', '2025-05-01T09:50:00');
INSERT INTO rigs VALUES ('bench', '# A 20...250 kPa sensor on the manifold, a clamp on the No. 1 lead, a hall switch at the pulley.
[pressure]
gain_per_kpa = 0.004
offset = -0.04

[spark]
pickup = "no1"
delay_us = 0.0
u_delay_us = 20.0

[mark]
angle_deg = 20.0                   # set with the strobe at idle
u_angle_deg = 0.5
', '2025-05-01T09:51:00');
INSERT INTO visits VALUES (1, 'Pump-house engine', 'bench', '2025-05-01T10:00:00', '{"number": 1, "engine": "Pump-house engine", "rig": "bench", "engine_toml": "# What the book of the pump house says, and what was checked on the engine itself.\nname = \"Pump-house engine\"\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\nrotor_turns = \"counterclockwise\"   # seen from above the cap\nstatic_deg = 9.0\nstatic_tolerance_deg = 2.0\nidle_rpm = 850\ncentrifugal = [[1200, 0], [1700, 10], [3200, 20]]\nmax_total_deg = 34.0               # without vacuum advance\nbody_radius_mm = 34.0\nvacuum_advance = \"ported\"          # hose off and plugged for the work\ntdc_verified = true                # soft piston stop, turned by hand\n", "rig_toml": "# A 20...250 kPa sensor on the manifold, a clamp on the No. 1 lead, a hall switch at the pulley.\n[pressure]\ngain_per_kpa = 0.004\noffset = -0.04\n\n[spark]\npickup = \"no1\"\ndelay_us = 0.0\nu_delay_us = 20.0\n\n[mark]\nangle_deg = 20.0                   # set with the strobe at idle\nu_angle_deg = 0.5\n", "begun": "2025-05-01T10:00:00", "ended": "2025-05-01T13:00:00", "step": "", "done": ["fit", "sweep", "set"], "points": [{"key": "plugs", "verdict": "in order", "measured": false, "value": 0.63, "unit": "mm", "text": "", "at": ""}], "captures": [{"purpose": "sweep", "sha256": "7acce13a431c105caea28a71d860950d08eae077b327e4071d97ea76b285846b", "path": "/old/place/there_and_back.vaclog", "at": "2025-05-01T10:40:00", "result": {"schema": 1, "source": {"capture": "there_and_back.vaclog", "duration_s": 126.6977, "gaps": 0, "lines_skipped": 0, "advance_source": "mark", "engine": "Pump-house engine"}, "barometer_kpa": 100.3076, "phases": [{"kind": "still", "start_s": 0.0, "end_s": 5.0}, {"kind": "cranking", "start_s": 5.0, "end_s": 6.3289}, {"kind": "warming", "start_s": 6.3289, "end_s": 25.0189}], "sweeps": [{"start_s": 41.8103, "end_s": 76.3045, "direction": "advancing"}, {"start_s": 80.3045, "end_s": 114.6959, "direction": "retarding"}], "peak": {"found": true, "why_not": null, "angle_deg": 25.837, "u_deg": 0.63, "low_deg": 24.655, "high_deg": 27.162, "u_abs_deg": 0.871, "low_abs_deg": 24.15, "high_abs_deg": 27.627, "flat_prior_deg": 25.78, "pressure_kpa": 37.9319, "vacuum_kpa": 62.3757, "beyond": null, "swept_low_deg": 4.37, "swept_high_deg": 33.464}, "idle": {"rpm": 857.36, "pressure_kpa": 40.6935, "vacuum_kpa": 59.6142, "angle_deg": 5.464}, "misfire": {"events": 0, "cycles": 861, "per_thousand": 0.0, "onset_deg": null, "slot": null, "cylinder": null, "times_s": [], "low_per_thousand": 0.0, "high_per_thousand": 4.2752, "false_alarms_per_thousand": 0.2215}, "advice": {"set_deg": 9.258, "hill_deg": 9.993, "limit": "maker''s figure", "turn_deg": 1.897, "turn_mm": 1.13, "turn_way": "clockwise", "gain_kpa": 0.9329, "warnings": [], "turn_clicks": null, "hill_extrapolated": false, "next_step": "Set 9.3\u00b0 and road-test. If it does not pink, steps of 2\u00b0 up to 10.0\u00b0 may be tried, with a road test after each. Then bring idle speed and mixture back and sweep shortly around the setting again, since they shift the top; repeat if it moved by more than 2\u00b0.", "home_deg": -0.281, "home_mm": -0.17, "home_way": "counterclockwise", "cap_deg": 9.993, "steps_deg": [9.993], "drop_kpa": 1.6932, "rotor_turns": "counterclockwise", "cautions": ["Turning the body: hands, sleeves, hair and the phone clear of fan and belts; an electric fan starts by itself. Insulated gloves near the leads; with a pacemaker stay away. Never pull a lead on electronic ignition.", "Engine running: outdoors or with the exhaust led out, extinguisher at hand. A body that is stuck: engine off, penetrant, never a lever.", "Before driving: clamp tight, rig off, hoses back on, vacuum advance reconnected.", "Road test: private or quiet road, a passenger works the phone, law and insurance first. If it pinks: lift off at once, then retard 1 to 2\u00b0 and try again. Pinking that is not heard is not proof of its absence, and it destroys pistons. Keep a reserve for a hot day and the worst fuel.", "After ten minutes'' hot soak, restart: kick-back or running-on means too far. On a starting handle too much advance breaks wrists.", "Not for boosted, raised-compression, gas-fuelled, twin-plug, magneto or emission-sealed engines: leave those to licensed work. The maker''s manual and local rules come first."], "limits_why": [["maximum total", "34\u00b0 in all less 20.0\u00b0 that the weights add above idle (card), less 1.7\u00b0 for what the angle may be off"], ["maker''s figure", "9\u00b0 with 2\u00b0 of tolerance, less 1.7\u00b0 for what the angle may be off"]]}, "hill": {"curve_deg": [-17.0, -11.0, -5.0, 1.0, 7.0, 13.0, 19.0, 25.0, 31.0, 37.0], "curve_kpa": [50.0863, 46.9348, 44.2602, 42.0532, 40.3167, 39.0502, 38.2521, 37.9373, 38.12, 38.8315], "low_kpa": [48.1771, 45.6967, 43.5748, 41.7646, 40.2342, 38.9472, 38.1358, 37.8192, 37.9781, 38.5052], "high_kpa": [51.4203, 47.8248, 44.7821, 42.2752, 40.403, 39.1667, 38.3708, 38.0397, 38.2582, 39.2917], "foot_deg": [4.491, 5.094, 4.748, 4.585, 4.952, 5.209, 8.059, 10.993, 13.248, 16.425, 18.398, 20.62, 23.159, 26.087, 28.099, 30.812, 32.864, 32.755, 30.984, 28.374, 26.245, 23.486, 20.923, 18.062, 15.807, 13.689, 10.757, 8.258, 5.35, 5.827, 5.234, 5.483], "foot_kpa": [41.4137, 40.6935, 40.7364, 40.9482, 40.5475, 41.2819, 40.4018, 39.4236, 38.7955, 38.727, 37.8991, 38.4653, 37.8231, 37.8039, 38.1529, 38.5541, 38.2315, 38.155, 38.0293, 37.8246, 38.1131, 38.0613, 38.0654, 38.2994, 38.3326, 38.6836, 39.3744, 39.528, 40.8248, 40.4999, 40.6035, 40.9276], "foot_age": [0.0, 0.0318, 0.0637, 0.0955, 0.1273, 0.1592, 0.191, 0.2228, 0.2546, 0.2865, 0.3183, 0.3501, 0.382, 0.4138, 0.4456, 0.4775, 0.5093, 0.5411, 0.5729, 0.6048, 0.6366, 0.6684, 0.7003, 0.7321, 0.7639, 0.7958, 0.8276, 0.8594, 0.8912, 0.9231, 0.9549, 0.9867], "limits_deg": [["maximum total", 12.258], ["maker''s figure", 9.258]]}}}], "settings": [{"aimed_deg": 9.3, "reached_deg": 9.2, "u_reached_deg": 0.2, "limit": "maker''s figure", "locked": true, "moved_deg": 0.1, "u_moved_deg": 0.2, "note": "", "at": ""}], "trials": [{"number": 1, "advance_deg": 9.2, "pinking": "none heard", "heard_by": "ear", "rpm": 2500.0, "pressure_kpa": 97.0, "retard_deg": 0.0, "note": "", "at": ""}], "notes": ["It''s the owner''s own fuel."], "weather": "rain, 8 degrees"}');
INSERT INTO visits VALUES (4, 'Lent engine', '', '2025-06-01T09:00:00', '{"number": 4, "engine": "Lent engine", "rig": "", "engine_toml": "", "rig_toml": "", "begun": "2025-06-01T09:00:00", "ended": "", "step": "sweep", "done": [], "points": [], "captures": [], "settings": [], "trials": [], "notes": []}');
