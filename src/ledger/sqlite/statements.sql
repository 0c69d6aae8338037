-- name: head
SELECT seq, hash FROM entry ORDER BY seq DESC LIMIT 1
-- name: insert_entry
INSERT INTO entry (seq, form, at, who, why, kind, body, previous, hash)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
-- name: entries
SELECT seq, form, at, who, why, kind, body, previous, hash FROM entry WHERE seq > ?1 ORDER BY seq
-- name: entry
SELECT seq, form, at, who, why, kind, body, previous, hash FROM entry WHERE seq = ?1
-- name: stamp
SELECT seq, at, who, why FROM entry WHERE seq = ?1

-- name: insert_grower
INSERT OR IGNORE INTO grower (name, entry) VALUES (?1, ?2)
-- name: insert_block
INSERT OR IGNORE INTO block (grower, name, entry) VALUES (?1, ?2, ?3)
-- name: insert_load
INSERT INTO load (name, grower, block, variety, bins, entry) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
-- name: close_load
UPDATE load SET closed = ?2 WHERE name = ?1
-- name: put_delivery
INSERT OR REPLACE INTO delivery (load, ticket, gross_kg, truck_tare_kg, bin_tare_kg, net_kg, picked,
    received, sampled, picking, destemmed, sampling_point, fruit_celsius, wet, free_juice, entry)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)
-- name: drop_bins
DELETE FROM bin WHERE load = ?1
-- name: insert_bin
INSERT INTO bin (load, name, kg, entry) VALUES (?1, ?2, ?3, ?4)
-- name: insert_lot
INSERT OR IGNORE INTO lot (load, name, entry) VALUES (?1, ?2, ?3)
-- name: describe_lot
UPDATE lot SET sampling_point = ?3, entry = ?4 WHERE load = ?1 AND name = ?2
-- name: put_terms
INSERT OR REPLACE INTO terms (load, name, text, entry) VALUES (?1, ?2, ?3, ?4)
-- name: drop_planned
DELETE FROM planned_tray WHERE load = ?1 AND lot = ?2
-- name: drop_plan
DELETE FROM plan WHERE load = ?1 AND lot = ?2
-- name: insert_plan
INSERT INTO plan (load, lot, seed, bins, expected_share, half_width, confidence, design_effect, entry)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
-- name: insert_planned
INSERT INTO planned_tray (load, lot, number, bin, depths, extra) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
-- name: insert_photo
INSERT OR IGNORE INTO photo (sha256, bytes, name, taken, entry) VALUES (?1, ?2, ?3, ?4, ?5)
-- name: replace_tray
UPDATE tray SET replaced_by = ?2 WHERE entry = ?1
-- name: insert_tray
INSERT INTO tray (entry, load, lot, number, bin, photo, outlines, fruit, profile, program,
    scale_mpx_per_mm, forced, objects, replaces)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)
-- name: insert_told
INSERT INTO told (tray, place, weight, words) VALUES (?1, ?2, ?3, ?4)
-- name: insert_object
INSERT INTO object (tray, object, class, p_sound_ppm, p_shriveled_ppm, p_underripe_ppm,
    p_debris_ppm, area_um2, mass_ug, equivalent_diameter_um)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
-- name: insert_measure
INSERT INTO measure (tray, object, row_mpx, col_mpx, x_um, y_um, area_px, seen_area_um2,
    circle_diameter_um, length_um, width_um, inner_width_um, circularity_ppm, solidity_ppm,
    fullness_ppm, contact_ppm, lightness_milli, a_milli, b_milli, lightness_sd_milli,
    colour_sd_milli, green_ppm, red_ppm, brown_ppm, wrinkle_fine_milli, wrinkle_milli, touches_edge)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20,
    ?21, ?22, ?23, ?24, ?25, ?26, ?27)
-- name: correct_object
UPDATE object SET corrected_class = ?3, corrected = ?4 WHERE tray = ?1 AND object = ?2
-- name: insert_refusal
INSERT INTO refusal (entry, load, lot, tray, photo, reason) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
-- name: insert_draw
INSERT INTO draw (entry, load, lot, seed, objects_in_lot) VALUES (?1, ?2, ?3, ?4, ?5)
-- name: insert_drawn
INSERT INTO drawn (draw, place, tray, object) VALUES (?1, ?2, ?3, ?4)
-- name: draw_reviewed
UPDATE draw SET reviewed = ?2 WHERE entry = ?1
-- name: insert_review
INSERT INTO review (entry, place, draw, tray, object, human) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
-- name: put_weighing
INSERT OR REPLACE INTO weighing (tray, weighed_g, sound_g, shriveled_g, underripe_g, debris_g, entry)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
-- name: put_coarse
INSERT OR REPLACE INTO coarse (load, lot, coarse_kg, increment_kg, pieces, entry)
VALUES (?1, ?2, ?3, ?4, ?5, ?6)
-- name: put_counted
INSERT OR REPLACE INTO counted (load, name, pieces, sample_kg, entry) VALUES (?1, ?2, ?3, ?4, ?5)
-- name: insert_mass_fit
INSERT INTO mass_fit (entry, profile, class, coefficient, standard_deviation)
VALUES (?1, ?2, ?3, ?4, ?5)
-- name: insert_mass_fit_tray
INSERT OR IGNORE INTO mass_fit_tray (entry, tray) VALUES (?1, ?2)
-- name: put_hand_sort
INSERT OR REPLACE INTO hand_sort (variety, tray, sound_program, shriveled_program, underripe_program,
    debris_program, sound_g, shriveled_g, underripe_g, debris_g, entry)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
-- name: put_verdict
INSERT OR REPLACE INTO verdict (load, outcome, figures, entry) VALUES (?1, ?2, ?3, ?4)

-- name: load_facts
SELECT closed FROM load WHERE name = ?1
-- name: delivery
SELECT ticket, gross_kg, truck_tare_kg, bin_tare_kg, net_kg, picked, received, sampled, picking,
    destemmed, sampling_point, fruit_celsius, wet, free_juice, entry
FROM delivery WHERE load = ?1
-- name: bins
SELECT name, kg FROM bin WHERE load = ?1 ORDER BY name
-- name: has_terms
SELECT 1 FROM terms WHERE load = ?1
-- name: count_trays
SELECT count(*) FROM tray WHERE load = ?1 AND (?2 IS NULL OR lot = ?2)
-- name: has_plan
SELECT 1 FROM plan WHERE load = ?1 AND lot = ?2
-- name: planned_bin
SELECT bin FROM planned_tray WHERE load = ?1 AND lot = ?2 AND number = ?3
-- name: has_sampling_point
SELECT 1 FROM lot WHERE load = ?1 AND name = ?2 AND sampling_point IS NOT NULL
-- name: tray_that_counts
SELECT entry FROM tray WHERE load = ?1 AND lot = ?2 AND number = ?3 AND replaced_by IS NULL
-- name: photo_as_tray
SELECT load, lot, number FROM tray WHERE photo = ?1
-- name: photo_as_refused
SELECT load, lot, tray, entry FROM refusal WHERE photo = ?1
-- name: object_class
SELECT coalesce(corrected_class, class) FROM object WHERE tray = ?1 AND object = ?2
-- name: is_weighed
SELECT 1 FROM weighing WHERE tray = ?1
-- name: has_coarse
SELECT 1 FROM coarse WHERE load = ?1 AND lot = ?2
-- name: has_counted
SELECT 1 FROM counted WHERE load = ?1 AND name = ?2
-- name: draw_facts
SELECT load, lot, reviewed FROM draw WHERE entry = ?1
-- name: drawn_numbers
SELECT t.number, d.object FROM drawn d JOIN tray t ON t.entry = d.tray WHERE d.draw = ?1
ORDER BY d.place
-- name: drawn_and_retaken
SELECT t.number FROM drawn d JOIN tray t ON t.entry = d.tray
WHERE d.draw = ?1 AND t.replaced_by IS NOT NULL LIMIT 1
-- name: count_objects
SELECT coalesce(sum(objects), 0) FROM tray WHERE load = ?1 AND lot = ?2 AND replaced_by IS NULL
-- name: is_tray
SELECT 1 FROM tray WHERE entry = ?1
-- name: is_hand_sorted
SELECT 1 FROM hand_sort WHERE variety = ?1 AND tray = ?2

-- name: loads
SELECT l.name, l.grower, l.variety, o.at, c.at, v.outcome,
    (SELECT count(*) FROM planned_tray p WHERE p.load = l.name AND p.extra = 0),
    (SELECT count(*) FROM tray t WHERE t.load = l.name AND t.replaced_by IS NULL),
    (SELECT coalesce(sum(objects), 0) FROM tray t WHERE t.load = l.name AND t.replaced_by IS NULL),
    (SELECT count(*) FROM refusal r WHERE r.load = l.name),
    (SELECT count(*) FROM planned_tray p JOIN tray t ON t.load = p.load AND t.lot = p.lot
        AND t.number = p.number WHERE p.load = l.name AND p.extra = 0 AND t.replaced_by IS NULL)
FROM load l JOIN entry o ON o.seq = l.entry LEFT JOIN entry c ON c.seq = l.closed
LEFT JOIN verdict v ON v.load = l.name ORDER BY l.entry
-- name: load
SELECT grower, block, variety, bins, entry, closed FROM load WHERE name = ?1
-- name: terms
SELECT name, text, entry FROM terms WHERE load = ?1
-- name: lots
SELECT name, sampling_point FROM lot WHERE load = ?1 ORDER BY name
-- name: plan
SELECT seed, bins, expected_share, half_width, confidence, design_effect, entry
FROM plan WHERE load = ?1 AND lot = ?2
-- name: planned
SELECT number, bin, depths, extra FROM planned_tray WHERE load = ?1 AND lot = ?2 ORDER BY number
-- name: trays
SELECT t.entry, t.number, t.bin, p.sha256, p.bytes, p.name, p.taken, t.outlines, t.profile, t.forced,
    t.objects, e.at, e.who, e.why, w.tray, w.weighed_g, w.sound_g, w.shriveled_g, w.underripe_g,
    w.debris_g, t.fruit
FROM tray t JOIN photo p ON p.sha256 = t.photo JOIN entry e ON e.seq = t.entry
LEFT JOIN weighing w ON w.tray = t.entry
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NULL ORDER BY t.number
-- name: told
SELECT d.tray, d.weight, d.words FROM tray t JOIN told d ON d.tray = t.entry
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NULL ORDER BY d.tray, d.place
-- name: objects
SELECT object, class, corrected_class, corrected, p_sound_ppm, p_shriveled_ppm, p_underripe_ppm,
    p_debris_ppm, area_um2, mass_ug, equivalent_diameter_um
FROM object WHERE tray = ?1 ORDER BY object
-- name: looks
SELECT t.number, m.object, m.lightness_milli, m.a_milli, m.b_milli, m.green_ppm, m.wrinkle_milli
FROM tray t JOIN measure m ON m.tray = t.entry
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NULL ORDER BY t.number, m.object
-- name: replaced
SELECT t.number, p.name, p.sha256, t.replaced_by FROM tray t JOIN photo p ON p.sha256 = t.photo
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NOT NULL ORDER BY t.number, t.entry
-- name: coarse
SELECT coarse_kg, increment_kg, pieces FROM coarse WHERE load = ?1 AND lot = ?2
-- name: draws
SELECT entry, seed, objects_in_lot, reviewed FROM draw WHERE load = ?1 AND lot = ?2 ORDER BY entry
-- name: drawn
SELECT d.tray, t.number, d.object FROM drawn d JOIN tray t ON t.entry = d.tray WHERE d.draw = ?1
ORDER BY d.place
-- name: reviews
SELECT r.tray, t.number, r.object, r.human FROM review r JOIN tray t ON t.entry = r.tray
WHERE r.draw = ?1 ORDER BY r.place
-- name: counted
SELECT name, pieces, sample_kg FROM counted WHERE load = ?1 ORDER BY name
-- name: refusals
SELECT r.entry, r.lot, r.tray, p.name, p.sha256, r.reason FROM refusal r
JOIN photo p ON p.sha256 = r.photo WHERE r.load = ?1 ORDER BY r.entry
-- name: verdict
SELECT figures FROM verdict WHERE load = ?1
-- name: mass_fit
SELECT entry, class, coefficient, (SELECT count(*) FROM mass_fit_tray t WHERE t.entry = mass_fit.entry)
FROM mass_fit WHERE profile = ?1
AND entry = (SELECT max(entry) FROM mass_fit WHERE profile = ?1 AND entry <= ?2)
-- name: weighed_trays
SELECT t.entry, t.load, t.lot, t.number FROM tray t JOIN weighing w ON w.tray = t.entry
WHERE t.profile = ?1 AND t.replaced_by IS NULL ORDER BY t.entry
-- name: hand_sorts
SELECT variety, tray, sound_program, shriveled_program, underripe_program, debris_program, sound_g,
    shriveled_g, underripe_g, debris_g, entry
FROM hand_sort WHERE (?1 IS NULL OR variety = ?1) AND entry <= ?2 ORDER BY variety, entry
-- name: kept
SELECT sha256 FROM photo UNION SELECT outlines FROM tray WHERE outlines IS NOT NULL ORDER BY 1
