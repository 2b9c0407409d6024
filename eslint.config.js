import js from "@eslint/js";

export default [
  { ignores: ["**/*.min.js", ".venv/", "demo-plan/", "dist/"] },
  js.configs.recommended,
  {
    rules: {
      "no-undef": "off", // tsc knows the names of browser and Node
      "no-unused-vars": ["error", { argsIgnorePattern: "^_", caughtErrors: "none" }],
      "max-len": ["error", { code: 120, ignoreComments: false, ignoreStrings: true, ignoreTemplateLiterals: true }],
      curly: ["error", "multi-line"],
      eqeqeq: "error",
      "no-shadow": "error",
      "no-var": "error",
      "prefer-const": "error",
      "object-shorthand": "error",
    },
  },
];
