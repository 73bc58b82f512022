"""Units that controllers speak, in SI; exact by definition (NIST SP 811), psi as far as a float goes."""

LBF_N = 4.4482216152605
LBF_IN_NM = 0.1129848290276167
PSI_KPA = 6.894757293168361
BAR_KPA = 100.0
IN_MM = 25.4
