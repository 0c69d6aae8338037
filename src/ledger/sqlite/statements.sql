-- name: head
SELECT seq, hash FROM entry ORDER BY seq DESC LIMIT 1
-- name: insert_entry
INSERT INTO entry (seq, form, at, who, why, kind, body, previous, hash)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
-- name: entries
SELECT seq, form, at, who, why, kind, body, previous, hash FROM entry WHERE seq > ?1 ORDER BY seq
-- name: entry
SELECT seq, form, at, who, why, kind, body, previous, hash FROM entry WHERE seq = ?1
-- name: insert_sheet
INSERT INTO sheet (sha256, load, bytes, as_of, head, entry) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
-- name: sheet
SELECT entry FROM sheet WHERE sha256 = ?1
-- name: hash_of
SELECT hash FROM entry WHERE seq = ?1
-- name: last_bearing_on
SELECT max(seq) FROM entry WHERE kind <> 'sheet-issued'
    AND (kind IN ('mass-fitted', 'hand-sorted') OR json_extract(body, '$.load') = ?1)
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
-- name: insert_come
INSERT INTO object (tray, object, class, p_sound_ppm, p_shriveled_ppm, p_underripe_ppm,
    p_debris_ppm, area_um2, mass_ug, equivalent_diameter_um, come)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
-- name: object_goes
UPDATE object SET gone = ?3 WHERE tray = ?1 AND object = ?2
-- name: insert_outline
INSERT INTO outline (tray, object, runs) VALUES (?1, ?2, ?3)
-- name: insert_edit
INSERT INTO edit (entry, tray, kind, object, before, before_entry, after)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
-- name: insert_edit_object
INSERT INTO edit_object (edit, object, side) VALUES (?1, ?2, ?3)
-- name: edit_undone
UPDATE edit SET undone = ?2 WHERE entry = ?1
-- name: touch_tray
UPDATE tray SET changed = ?2,
    objects = (SELECT count(*) FROM object o WHERE o.tray = tray.entry AND o.gone IS NULL)
WHERE entry = ?1
-- name: put_tags
INSERT OR REPLACE INTO tag (tray, object, tags, entry) VALUES (?1, ?2, ?3, ?4)
-- name: drop_tags
DELETE FROM tag WHERE tray = ?1 AND object = ?2
-- name: insert_parties
INSERT INTO parties (entry, load, lot, draw, whole) VALUES (?1, ?2, ?3, ?4, ?5)
-- name: insert_party
INSERT INTO party (parties, party, name) VALUES (?1, ?2, ?3)
-- name: put_judgement
INSERT OR REPLACE INTO judgement (parties, party, tray, object, human, tags, entry)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
-- name: party_finished
UPDATE party SET finished = ?3 WHERE parties = ?1 AND party = ?2
-- name: party_accepted
UPDATE party SET accepted = ?3, figures = ?4 WHERE parties = ?1 AND party = ?2
-- name: party_refused
UPDATE party SET refused = ?3 WHERE parties = ?1 AND party = ?2
-- name: parties_end
UPDATE parties SET ended = ?2, outcome = ?3 WHERE entry = ?1
-- name: put_settled
INSERT OR REPLACE INTO settled (parties, tray, object, human, entry) VALUES (?1, ?2, ?3, ?4, ?5)
-- name: insert_taught
INSERT INTO taught (entry, profile, sha256, adopted, figures) VALUES (?1, ?2, ?3, ?4, ?5)
-- name: insert_taught_tray
INSERT INTO taught_tray (entry, tray) VALUES (?1, ?2)
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
SELECT coalesce(corrected_class, class) FROM object
WHERE tray = ?1 AND object = ?2 AND gone IS NULL
-- name: highest_object
SELECT max(object) FROM object WHERE tray = ?1
-- name: given_class
SELECT corrected_class, corrected FROM object WHERE tray = ?1 AND object = ?2
-- name: tags
SELECT tags, entry FROM tag WHERE tray = ?1 AND object = ?2
-- name: edits
SELECT d.entry, d.kind, d.object, d.undone, e.at, e.who, e.why
FROM edit d JOIN entry e ON e.seq = d.entry WHERE d.tray = ?1 ORDER BY d.entry
-- name: edit
SELECT tray, kind, object, before, before_entry, after FROM edit WHERE entry = ?1
-- name: edit_objects
SELECT object, side FROM edit_object WHERE edit = ?1 ORDER BY object
-- name: running_parties
SELECT entry, lot FROM parties
WHERE load = ?1 AND (?2 IS NULL OR lot = ?2) AND ended IS NULL ORDER BY entry LIMIT 1
-- name: parties_facts
SELECT load, lot, draw, ended FROM parties WHERE entry = ?1
-- name: party_facts
SELECT party, finished, accepted FROM party WHERE parties = ?1
-- name: unjudged
SELECT count(*) FROM parties p JOIN drawn d ON d.draw = p.draw
LEFT JOIN judgement j ON j.parties = p.entry AND j.party = ?2 AND j.tray = d.tray
    AND j.object = d.object
WHERE p.entry = ?1 AND j.human IS NULL
-- name: unsettled
SELECT count(*) FROM parties p JOIN drawn d ON d.draw = p.draw
JOIN judgement g ON g.parties = p.entry AND g.party = 'grower' AND g.tray = d.tray
    AND g.object = d.object
JOIN judgement w ON w.parties = p.entry AND w.party = 'winery' AND w.tray = d.tray
    AND w.object = d.object
LEFT JOIN settled s ON s.parties = p.entry AND s.tray = d.tray AND s.object = d.object
WHERE p.entry = ?1 AND g.human <> w.human AND s.human IS NULL
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
JOIN object o ON o.tray = d.tray AND o.object = d.object
WHERE d.draw = ?1 AND (t.replaced_by IS NOT NULL OR o.gone IS NOT NULL) LIMIT 1
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
    w.debris_g, t.fruit, t.changed
FROM tray t JOIN photo p ON p.sha256 = t.photo JOIN entry e ON e.seq = t.entry
LEFT JOIN weighing w ON w.tray = t.entry
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NULL ORDER BY t.number
-- name: told
SELECT d.tray, d.weight, d.words FROM tray t JOIN told d ON d.tray = t.entry
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NULL ORDER BY d.tray, d.place
-- name: objects
SELECT object, class, corrected_class, corrected, p_sound_ppm, p_shriveled_ppm, p_underripe_ppm,
    p_debris_ppm, area_um2, mass_ug, equivalent_diameter_um
FROM object WHERE tray = ?1 AND gone IS NULL ORDER BY object
-- name: one_tray
SELECT t.load, t.lot, t.number, p.sha256, p.name, t.outlines, t.fruit, t.profile, t.scale_mpx_per_mm,
    t.forced, t.replaced_by, t.changed
FROM tray t JOIN photo p ON p.sha256 = t.photo WHERE t.entry = ?1
-- name: told_of_tray
SELECT weight, words FROM told WHERE tray = ?1 ORDER BY place
-- name: objects_in_full
SELECT o.object, o.class, o.corrected_class, o.corrected, o.come, g.tags,
    o.p_sound_ppm, o.p_shriveled_ppm, o.p_underripe_ppm, o.p_debris_ppm, m.row_mpx, m.col_mpx,
    m.x_um, m.y_um, m.area_px, m.seen_area_um2, o.area_um2, m.circle_diameter_um,
    o.equivalent_diameter_um, m.length_um, m.width_um, m.inner_width_um, o.mass_ug,
    m.circularity_ppm, m.solidity_ppm, m.fullness_ppm, m.contact_ppm, m.lightness_milli, m.a_milli,
    m.b_milli, m.lightness_sd_milli, m.colour_sd_milli, m.green_ppm, m.red_ppm, m.brown_ppm,
    m.wrinkle_fine_milli, m.wrinkle_milli, m.touches_edge
FROM object o JOIN measure m ON m.tray = o.tray AND m.object = o.object
LEFT JOIN tag g ON g.tray = o.tray AND g.object = o.object
WHERE o.tray = ?1 AND o.gone IS NULL ORDER BY o.object
-- name: objects_gone
SELECT object FROM object WHERE tray = ?1 AND gone IS NOT NULL AND come IS NULL ORDER BY object
-- name: outlines
SELECT l.object, l.runs FROM outline l JOIN object o ON o.tray = l.tray AND o.object = l.object
WHERE l.tray = ?1 AND o.gone IS NULL ORDER BY l.object
-- name: parties
SELECT entry, draw, whole, ended, outcome FROM parties WHERE load = ?1 AND lot = ?2 ORDER BY entry
-- name: place_of_parties
SELECT load, lot FROM parties WHERE entry = ?1
-- name: party
SELECT party, name, finished, accepted, figures, refused FROM party WHERE parties = ?1
-- name: judgements
SELECT party, tray, object, human, tags FROM judgement WHERE parties = ?1
ORDER BY tray, object, party
-- name: settlements
SELECT tray, object, human FROM settled WHERE parties = ?1 ORDER BY tray, object
-- name: taught
SELECT entry, profile, sha256, adopted, figures FROM taught ORDER BY entry
-- name: taught_trays
SELECT tray FROM taught_tray WHERE entry = ?1 ORDER BY tray
-- name: looks
SELECT t.number, m.object, m.lightness_milli, m.a_milli, m.b_milli, m.green_ppm, m.wrinkle_milli
FROM tray t JOIN measure m ON m.tray = t.entry
JOIN object o ON o.tray = m.tray AND o.object = m.object
WHERE t.load = ?1 AND t.lot = ?2 AND t.replaced_by IS NULL AND o.gone IS NULL
ORDER BY t.number, m.object
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
SELECT sha256 FROM photo UNION SELECT outlines FROM tray WHERE outlines IS NOT NULL
UNION SELECT sha256 FROM taught ORDER BY 1
