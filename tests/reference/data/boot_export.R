# Writes the studentised bootstrap interval of a root mean square error over 24 standards of four
# spectra each, by R's package boot. Run in this folder:  Rscript boot_export.R
library(boot)
set.seed(11)
standards <- 24
errors <- matrix(rnorm(standards, sd = 1.2) + rnorm(4 * standards, sd = 0.4), standards, 4)
errors <- round(errors, 4)
squares <- rowSums(errors^2); counts <- rep(4, standards)
statistic <- function(data, i) {
  s <- data[i, 1]; n <- data[i, 2]; m <- length(s)
  root <- sqrt(sum(s) / sum(n))
  error <- sqrt(m / (m - 1) * sum((s - root^2 * n)^2)) / sum(n) / (2 * root)
  c(root, error^2)
}
found <- boot(cbind(squares, counts), statistic, R = 99999)
interval <- boot.ci(found, conf = 0.95, type = "stud")$student[4:5]
write.csv(data.frame(standard = rep(sprintf("S%02d", 1:standards), 4), error = as.vector(errors)),
          "boot_errors.csv", row.names = FALSE, quote = FALSE)
write.csv(data.frame(quantity = c("low", "high"), value = sprintf("%.6g", interval)),
          "boot_interval.csv", row.names = FALSE, quote = FALSE)
cat(R.version.string, "boot", as.character(packageVersion("boot")), "\n")
