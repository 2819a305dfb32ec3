// Rules for the map page's script. Its modules share one scope, so they are checked joined, as the page has them.
const browser = [
  'document', 'window', 'navigator', 'performance', 'localStorage', 'crypto', 'matchMedia', 'requestAnimationFrame',
  'addEventListener', 'setTimeout', 'clearTimeout', 'setInterval', 'clearInterval', 'print', 'innerHeight', 'atob',
  'Blob', 'Response', 'URL', 'DecompressionStream', 'ImageData', 'ResizeObserver',
];

export default [
  {
    languageOptions: {
      ecmaVersion: 2023,
      sourceType: 'script',
      globals: Object.fromEntries(browser.map((name) => [name, 'readonly'])),
    },
    rules: {
      'no-undef': 'error',
      'no-unused-vars': ['error', { varsIgnorePattern: '^reachmap$' }],
      'no-var': 'error',
      'prefer-const': 'error',
      'no-shadow': 'error',
      'no-redeclare': 'error',
      'no-eval': 'error',
      'no-implied-eval': 'error',
      'no-new-func': 'error',
      'no-script-url': 'error',
      'no-fallthrough': 'error',
      'consistent-return': 'error',
      eqeqeq: ['error', 'always', { null: 'ignore' }],
      complexity: ['error', 16],
      'max-depth': ['error', 4],
      'max-len': ['error', { code: 160 }],
      'no-restricted-properties': [
        'error',
        ...['innerHTML', 'outerHTML', 'insertAdjacentHTML', 'write', 'writeln'].map((property) => ({
          property, message: 'Text goes in through textContent only.',
        })),
      ],
    },
  },
];
