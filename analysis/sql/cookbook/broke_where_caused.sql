-- Where was it caused, and where did it break?
-- for: engineer
-- Coded breaks only: section of the cause against section of the loss. What is weakened in the stock may tear in the
-- press.
SELECT
    b.machine, c.section AS caused_in, b.section AS broke_in, count(*) AS breaks,
    round(sum(b.lost_s) / 60, 1) AS lost_min
FROM sheet_break AS b
JOIN cause AS c ON c.code = b.cause
GROUP BY b.machine, c.section, b.section
ORDER BY b.machine, breaks DESC, lost_min DESC, caused_in, broke_in;
